"""Renders the sample photos and their invented registry anew: ``python sample_images/make.py``.

The same version of the simulator gives the same pictures; nothing here was photographed.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any, Final

import numpy as np

from legibility.containers import Animal
from legibility.simulate import SceneSpec, render, sample_scene
from legibility.simulate.folder import write_whole
from legibility.simulate.herd import make_herd, write_registry

HERD_SEED: Final = 7
"""Choice: any; it decides names and marks."""
ANIMALS: Final = 60
"""Choice: enough for near-twins."""
WIDTH_PX: Final = 1000
"""Choice: large enough to read, small enough to ship."""

SAMPLES: Final[dict[str, dict[str, Any]]] = {
    "as-new.jpg": {
        "seed": 501, "mark": 0, "wear": "new", "skin": "pink", "ink": "green", "hair": 0.05,
        "rotation_deg": 6.0, "source": "train-060", "mark_share": 0.6,
    },
    "grey-skin.jpg": {
        "seed": 102, "mark": 1, "wear": "mild", "skin": "grey", "ink": "black", "hair": 0.15,
        "rotation_deg": -24.0, "source": "train-030", "mark_share": 0.5,
    },
    "mirrored.jpg": {
        "seed": 303, "mark": 2, "wear": "new", "skin": "dark", "ink": "green", "hair": 0.1,
        "rotation_deg": 12.0, "source": "train-028", "mark_share": 0.6, "mirrored": True,
        "behind": True, "width_px": 750,
    },
    "two-rows.jpg": {
        "seed": 204, "mark": 3, "wear": "mild", "skin": "mottled", "ink": "green", "hair": 0.1,
        "rotation_deg": -8.0, "source": "train-049", "mark_share": 0.5,
    },
    "upside-down.jpg": {
        "seed": 205, "mark": 4, "wear": "worn", "skin": "pink", "ink": "blue-green", "hair": 0.3,
        "rotation_deg": 171.0, "source": "train-036", "mark_share": 0.55,
    },
    "stranger.jpg": {
        "seed": 406, "mark": "RTW5", "wear": "mild", "skin": "pink", "ink": "red-brown",
        "hair": 0.1, "rotation_deg": 0.0, "source": "train-054", "mark_share": 0.5,
    },
    "faded-away.jpg": {
        "seed": 7, "mark": 5, "wear": "gone", "skin": "pink", "ink": "green", "hair": 0.2,
        "rotation_deg": 3.0, "source": "train-063", "mark_share": 0.5,
    },
    "no-mark.jpg": {
        "seed": 408, "mark": "", "skin": "grey", "hair": 0.3,
    },
}  # fmt: skip
"""File name -> what was asked of the scene; ``mark`` is a mark or a number in ``chosen``."""


def chosen(herd: list[Animal]) -> list[str]:
    """Marks of the animals photographed: one row each, but the fourth has two."""
    present = [animal for animal in herd if animal.status == "present"]
    single = [animal.mark for animal in present if "/" not in animal.mark]
    double = [animal.mark for animal in present if "/" in animal.mark]
    return [*single[:3], double[0], *single[3:5]]


def scene(wanted: dict[str, Any], marks: list[str]) -> SceneSpec:
    """The scene of one sample: what is not asked for is drawn from its seed."""
    asked = dict(wanted)
    rng = np.random.default_rng(asked.pop("seed"))
    mark = asked.pop("mark")
    return sample_scene(
        rng,
        mark=marks[mark] if isinstance(mark, int) else mark,
        split="train",
        rule="ends",
        clean=True,
        **{"width_px": WIDTH_PX, **asked},
    )


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    herd = make_herd(np.random.default_rng(HERD_SEED), animals=ANIMALS)
    write_registry(folder / "registry.csv", herd)
    for name, wanted in SAMPLES.items():
        write_whole(folder / name, render(scene(wanted, chosen(herd))).jpeg)


if __name__ == "__main__":
    main()
