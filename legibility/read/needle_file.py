"""The needle model's die shapes as a small file, since choosing them from all sources takes
seconds.

``python -m legibility.read.needle_file`` chooses them again from the training sources.
"""

from __future__ import annotations

import hashlib
import io
import os
import tempfile
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np

from legibility.alphabet import N_CHARACTERS
from legibility.errors import ModelError, OutputError
from legibility.read.needle_bank import (
    USUAL_NEEDLES,
    DieLayout,
    choose_prototypes,
    layouts_from_sources,
)

DEFAULT_PATH: Final = Path(__file__).resolve().parents[1] / "models" / "needles.npz"

_NO_COUNT: Final = 0


def load_layouts(path: Path = DEFAULT_PATH) -> tuple[tuple[DieLayout, ...], str]:
    """Die layouts of a file and the hex sha256 of its bytes.

    Raises
    ------
    ModelError
        If the file is missing or is no such file.
    """
    try:
        data = path.read_bytes()
        with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
            names = [str(name) for name in arrays["names"]]
            usual = [int(count) for count in arrays["usual_needles"]]
            counts = arrays["counts"].astype(np.int64)
            points = arrays["points"].astype(np.float64)
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile) as error:
        raise ModelError(
            f"{path}: cannot be read as die layouts: {error}; install the package again"
        ) from error
    if (
        counts.shape != (len(names), N_CHARACTERS)
        or len(usual) != len(names)
        or not names
        or counts.min() < 1
        or points.shape != (counts.sum(), 2)
    ):
        raise ModelError(
            f"{path}: {len(names)} die sets with counts {counts.shape} and points {points.shape}; "
            f"expected ({len(names)}, {N_CHARACTERS}) counts that add up to the points"
        )
    pieces = np.split(points, np.cumsum(counts.ravel())[:-1])
    try:
        layouts = tuple(
            DieLayout(
                name=name,
                needles=tuple(pieces[k * N_CHARACTERS : (k + 1) * N_CHARACTERS]),
                usual_needles=None if usual[k] == _NO_COUNT else usual[k],
            )
            for k, name in enumerate(names)
        )
    except ValueError as error:
        raise ModelError(f"{path}: {error}") from error
    return layouts, hashlib.sha256(data).hexdigest()


def save_layouts(layouts: Sequence[DieLayout], path: Path) -> None:
    """Write die layouts, all or nothing; places are kept to a thousandth of the height.

    Raises
    ------
    OutputError
        If the file cannot be written; an older one is left as it was.
    """
    buffer = io.BytesIO()
    pieces = [np.round(points, 3) for die in layouts for points in die.needles]
    np.savez_compressed(
        buffer,
        names=np.array([die.name for die in layouts]),
        usual_needles=np.array([die.usual_needles or _NO_COUNT for die in layouts], np.int16),
        counts=np.array([len(piece) for piece in pieces], np.int16).reshape(-1, N_CHARACTERS),
        points=np.concatenate(pieces).astype(np.float32),
    )
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(buffer.getvalue())
            os.chmod(name, 0o644)
            os.replace(name, path)
        except OSError:
            os.unlink(name)
            raise
    except OSError as error:
        raise OutputError(f"{path}: cannot be written: {error}") from error


def main() -> None:
    """Choose the shapes again and write the shipped file."""
    from legibility.dies.strokes import load_sources

    layouts = choose_prototypes(layouts_from_sources(load_sources(split="train")))
    save_layouts(layouts, DEFAULT_PATH)
    print(f"{DEFAULT_PATH.name}: {len(layouts)} shapes a character, about {USUAL_NEEDLES} needles")


if __name__ == "__main__":
    main()
