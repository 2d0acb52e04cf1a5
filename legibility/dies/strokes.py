"""Glyph sources: how a die maker may have drawn the 36 characters, as polylines.

A source is one way to draw the alphabet. Its lines are cut wherever they meet, so two lines of a
glyph touch at their ends only; a line of one point is a single needle. All coordinates are in the
unit box of the glyph: x to the right from 0 to the aspect (at most ``MAX_ASPECT``), y downwards
from 0 (top) to 1 (bottom); every glyph is exactly 1 high.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final, TypeAlias
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.errors import LegibilityError

Points: TypeAlias = NDArray[np.float32]
"""(n, 2): x, y in the unit box."""
Glyph: TypeAlias = tuple[Points, ...]
"""The lines of one character."""

MAX_ASPECT: Final = 1.2
"""Choice: widest glyph in heights; wider ones are squeezed when a source is built."""
QUANTUM: Final = 10_000
"""Choice: stored steps a glyph height; far below the width of a needle."""
DATA: Final = Path(__file__).parent / "data" / "strokes.npz"
"""Sources to train on and to measure needles with."""
_FIELDS: Final = ("names", "kinds", "splits", "origins", "licences", "n_lines", "n_points", "xy")


@dataclass(frozen=True, slots=True)
class GlyphSource:
    """One way to draw the 36 characters."""

    name: str
    """Neutral name, e.g. ``train-001``; origin and licence are listed beside the data."""
    kind: str
    """``skeleton`` (middle line of an outline face), ``stroke`` (single-stroke lettering), ``grid``
    (dot matrix)."""
    split: str
    """``train``, ``held_out`` or ``evaluation``."""
    strokes: tuple[Glyph, ...]
    """(36,) in the order of ``alphabet.CHARACTERS``."""
    origin: str = ""
    """Family the source was made from; no family is in more than one split."""
    licence: str = ""
    """Licence of the origin."""


class GlyphSourceError(LegibilityError, ValueError):
    """A file that is not a set of glyph sources."""

    exit_code = 8


def load_sources(*, split: str | None = None) -> tuple[GlyphSource, ...]:
    """Sources shipped with the package.

    Parameters
    ----------
    split
        ``train`` or ``held_out``; None for both.

    Returns
    -------
    tuple of GlyphSource
        In the order of their names.

    Raises
    ------
    GlyphSourceError
        If there is no such split.
    """
    sources = load_sources_from(DATA)
    if split is None:
        return sources
    chosen = tuple(source for source in sources if source.split == split)
    if not chosen:
        known = ", ".join(sorted({source.split for source in sources}))
        raise GlyphSourceError(f"no glyph sources of split {split!r}; known: {known}")
    return chosen


@cache
def load_sources_from(path: Path) -> tuple[GlyphSource, ...]:
    """Sources of a file written by :func:`save_sources` (read once a process).

    Raises
    ------
    GlyphSourceError
        If the file cannot be read, a field is missing, or the counts do not fit.
    """
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as archive:
            missing = [field for field in _FIELDS if field not in archive.files]
            if missing:
                raise GlyphSourceError(f"{path}: no field {', '.join(missing)}")
            data = {field: archive[field] for field in _FIELDS}
    except GlyphSourceError:
        raise
    except (OSError, ValueError, EOFError, AttributeError, TypeError, BadZipFile) as error:
        raise GlyphSourceError(f"{path}: cannot be read as glyph sources: {error}") from error
    n_sources = len(data["names"])
    n_lines, n_points = data["n_lines"], data["n_points"]
    if (
        n_lines.shape != (n_sources, N_CHARACTERS)
        or int(n_lines.sum()) != len(n_points)
        or int(n_points.sum()) != len(data["xy"])
    ):
        raise GlyphSourceError(f"{path}: the counts of lines and points do not fit the coordinates")
    xy = data["xy"].astype(np.float32) / np.float32(QUANTUM)
    xy.setflags(write=False)
    lines = np.split(xy, np.cumsum(n_points)[:-1])
    ends = np.cumsum(n_lines.ravel())
    glyphs = [tuple(lines[stop - count : stop]) for stop, count in zip(ends, n_lines.flat)]  # noqa: B905
    return tuple(
        GlyphSource(
            name=str(data["names"][index]),
            kind=str(data["kinds"][index]),
            split=str(data["splits"][index]),
            strokes=tuple(glyphs[index * N_CHARACTERS : (index + 1) * N_CHARACTERS]),
            origin=str(data["origins"][index]),
            licence=str(data["licences"][index]),
        )
        for index in range(n_sources)
    )


def save_sources(path: Path, sources: Sequence[GlyphSource]) -> None:
    """Write sources as a compressed archive of plain arrays, whole or not at all."""
    lines = [line for source in sources for glyph in source.strokes for line in glyph]
    arrays = {
        "names": np.array([source.name for source in sources]),
        "kinds": np.array([source.kind for source in sources]),
        "splits": np.array([source.split for source in sources]),
        "origins": np.array([source.origin for source in sources]),
        "licences": np.array([source.licence for source in sources]),
        "n_lines": np.array(
            [[len(glyph) for glyph in source.strokes] for source in sources], dtype=np.uint8
        ),
        "n_points": np.array([len(line) for line in lines], dtype=np.uint8),
        "xy": np.rint(np.concatenate(lines) * QUANTUM).astype(np.int16),
    }
    handle, temporary = tempfile.mkstemp(dir=path.parent, suffix=".npz")
    try:
        with os.fdopen(handle, "wb") as file:
            np.savez_compressed(file, **arrays)  # type: ignore[arg-type]
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
