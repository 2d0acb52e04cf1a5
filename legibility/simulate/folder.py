"""Writes rendered photos and their truth into a folder."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from legibility.errors import OutputError
from legibility.simulate.compose import render
from legibility.simulate.scene import SceneSpec, sample_scene
from legibility.simulate.truth import truth_to_json

TRUTH_FILE = "truth.jsonl"
"""One line a photo, in the order of the photos."""

NO_MARK_SHARE = 0.05
"""Choice: share of ears without a mark among photos drawn at random."""


def write_photos(
    folder: Path,
    *,
    count: int,
    seed: int,
    split: str = "train",
    wear: str | None = None,
    no_mark_share: float = NO_MARK_SHARE,
    progress: Callable[[int], None] | None = None,
) -> list[Path]:
    """Render photos drawn at random, with one line of truth for each.

    Photo k depends on the seed and k alone, so that a longer run begins with the photos of a
    shorter one.

    Parameters
    ----------
    folder : Path
        Made when it does not exist; photos of the same name are replaced.
    count, seed : int
    split : str
        Split of the glyph sources, "train" or "held_out".
    wear : str, optional
        Wear level of all photos.
    no_mark_share : float
        Share of ears without a mark.
    progress : callable, optional
        Called with the number of photos written so far.

    Returns
    -------
    list of Path
        The photos; their truth is in ``truth.jsonl`` beside them.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    scenes = []
    for index in range(count):
        rng = np.random.default_rng([seed, index])
        mark = "" if rng.random() < no_mark_share else None
        scenes.append(sample_scene(rng, mark=mark, split=split, wear=wear))
    digits = max(len(str(count)), 4)
    names = [f"ear-{index:0{digits}d}.jpg" for index in range(1, count + 1)]
    return write_scenes(folder, scenes, names=names, progress=progress)


def write_scenes(
    folder: Path,
    scenes: Sequence[SceneSpec],
    *,
    names: Sequence[str],
    progress: Callable[[int], None] | None = None,
) -> list[Path]:
    """Render given scenes under given names, with one line of truth for each in ``truth.jsonl``.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    make_folder(folder)
    written, lines = [], []
    for number, (scene, name) in enumerate(zip(scenes, names, strict=True), start=1):
        rendering = render(scene)
        path = folder / name
        write_whole(path, rendering.jpeg)
        written.append(path)
        lines.append('{"photo": "' + name + '", ' + truth_to_json(rendering.truth)[1:])
        if progress is not None:
            progress(number)
    write_whole(folder / TRUTH_FILE, "".join(line + "\n" for line in lines).encode())
    return written


def make_folder(folder: Path) -> None:
    """Make a folder and those above it.

    Raises
    ------
    OutputError
        If it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: this folder cannot be made: {error.strerror}") from error


def write_whole(path: Path, content: bytes) -> None:
    """Write a file under a temporary name, then rename it: nothing is left half-written.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        temporary.write_bytes(content)
        os.replace(temporary, path)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise OutputError(f"{path}: cannot be written: {error.strerror}") from error
