"""Photos that are read: the samples, rendered ones by number, and those of the evaluation."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from PIL import Image

from legibility.evaluate.run import herd_photo, make_herd

from .frozen import frozen
from .running import ROOT, run, said
from .wording import Wording, digests, picture_words

COUNT: Final = 6
"""Choice: of rendered photos and of the evaluation's each that are kept."""
PER_SEED: Final = 2
"""Choice: of both that ``LEGIBILITY_SEEDS`` reads for each seed: with 20 up to 40, in CI 6."""
SEED: Final = 2201
"""Choice: any that no fit and no published figure used."""
WIDTH_PX: Final = 1000
"""Choice: larger photos are scaled down to it, for speed; as wide as the samples."""
INNERMOST: Final = re.compile(r"[\[{][^\[\]{}]*[\]}]")
SAMPLES: Final = tuple(sorted(path.name for path in (ROOT / "sample_images").glob("*.jpg")))
RENDERED: Final = tuple(f"rendered-{index:02d}" for index in range(COUNT))
EVALUATED: Final = tuple(f"evaluated-{index:02d}" for index in range(COUNT))


def names() -> tuple[str, ...]:
    """Photos that this run reads."""
    some = min(COUNT, PER_SEED * int(os.environ.get("LEGIBILITY_SEEDS", "20")))
    return (*SAMPLES, *RENDERED[:some], *EVALUATED[:some])


def _photos(wanted: tuple[str, ...], folder: Path) -> Iterator[Path]:
    """The photos as files; each depends on its number alone."""
    rendered = sum(name in RENDERED for name in wanted)
    if rendered:
        said("simulate", str(folder / "made"), "--count", str(rendered), "--seed", str(SEED))
    made = sorted((folder / "made").glob("*.jpg"))
    herd = make_herd(seed=SEED)
    for name in wanted:
        if name in SAMPLES:
            yield ROOT / "sample_images" / name
            continue
        out = folder / f"{name}.png"
        if name in RENDERED:
            picture = Image.open(made[RENDERED.index(name)])
        else:
            photo, _ = herd_photo(EVALUATED.index(name), herd=herd, seed=SEED)
            picture = Image.fromarray(photo.pixels)
        picture.thumbnail((WIDTH_PX, WIDTH_PX))
        picture.save(out)
        picture.close()
        yield out


def _spread(record: dict[str, object]) -> str:
    """A list or object that holds no other on one line, so that a difference shows where it is."""
    spread = json.dumps(record, indent=1, ensure_ascii=False)
    return INNERMOST.sub(lambda found: " ".join(found[0].split()), spread)


def read_photos(wanted: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    """The JSON line of each photo, without ``seconds``, spread over lines."""
    with frozen() as folder:
        for name, path in zip(wanted, _photos(wanted, folder), strict=True):
            known = digests([path]) if path.suffix == ".jpg" else frozenset()
            printed = run(
                "read", str(path), "--registry", str(ROOT / "sample_images" / "registry.csv"),
                "--no-second-reader", "--json", "-",
            )  # fmt: skip
            record = json.loads(printed.stdout.splitlines()[0])
            del record["seconds"]
            shown = Wording(folder, ROOT, read=True, known=known).text(_spread(record))
            yield name, f"{picture_words(path.read_bytes())}\n{shown}\n"


def outputs() -> dict[str, str]:
    """Readings of the photos of this run."""
    return dict(read_photos(names()))
