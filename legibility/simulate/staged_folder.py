"""Writes ears photographed through the stages of handling, with manifest, registry and truth."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from legibility.containers import Stage
from legibility.simulate.compose import render
from legibility.simulate.folder import TRUTH_FILE, make_folder, write_whole
from legibility.simulate.herd import make_herd, write_registry
from legibility.simulate.stages import found_scene, stage_scene
from legibility.simulate.truth import truth_to_json

HERD = 60
"""Choice: animals of the invented herd, enough for near-twins."""


@dataclass(frozen=True, slots=True)
class StagedFiles:
    """Files of an invented handling day."""

    manifest: Path
    """photo, session, ear, stage."""
    registry: Path
    photos: tuple[Path, ...]


def write_staged(
    folder: Path,
    *,
    count: int,
    seed: int,
    split: str = "train",
    progress: Callable[[int], None] | None = None,
) -> StagedFiles:
    """Ears of an invented herd, each as found, cleaned, clipped, lit from behind, and turned.

    The manifest names sessions, not animals: who was photographed is in the truth alone.

    Parameters
    ----------
    folder : Path
        Made when it does not exist; files of the same names are replaced.
    count : int
        How many ears, at least 1.
    seed : int
    split : str
        Split of the glyph sources, "train" or "held_out".
    progress : callable, optional
        Called with the number of ears written so far.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    make_folder(folder)
    herd = make_herd(np.random.default_rng([seed, 80]), animals=HERD)
    write_registry(folder / "registry.csv", herd)
    photos, truths = [], []
    rows = [["photo", "session", "ear", "stage"]]
    for index in range(count):
        rng = np.random.default_rng([seed, 81, index])
        animal = herd[int(rng.integers(len(herd)))]
        scene = found_scene(rng, mark=animal.mark, split=split)
        done: list[Stage] = []
        for stage in Stage:
            rendering = render(stage_scene(scene, done, stage, rng))
            done.append(stage)
            name = f"ear-{index + 1:04d}-{len(done)}-{stage.value.replace('_', '-')}.jpg"
            write_whole(folder / name, rendering.jpeg)
            photos.append(folder / name)
            rows.append([name, f"ear {index + 1}", animal.ear, stage.value.replace("_", " ")])
            truth = json.loads(truth_to_json(rendering.truth))
            truths.append(json.dumps({"photo": name, "animal_id": animal.animal_id, **truth}))
        if progress is not None:
            progress(index + 1)
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    write_whole(folder / "manifest.csv", text.getvalue().encode())
    write_whole(folder / TRUTH_FILE, "".join(line + "\n" for line in truths).encode())
    return StagedFiles(folder / "manifest.csv", folder / "registry.csv", tuple(photos))
