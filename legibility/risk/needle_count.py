"""How many needles a mark takes; a plier holds only so many dies.

Dies carry 8 to 16 needles (common practice, no source), more for longer lines. Without the herd's
own dies the number is taken from how long the lines of each character are in the shipped glyph
sources.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Final

import numpy as np

from legibility.alphabet import CHARACTERS, ROW_SEPARATOR
from legibility.dies.strokes import Glyph, load_sources

CAPACITY: Final = 64
"""A full ear mark uses up to 64 needles (common practice, no source)."""
USUAL: Final = 12
"""Middle of 8 to 16 needles a die (common practice, no source)."""
FEWEST: Final = 8
MOST: Final = 16
LENGTH_POWER: Final = 0.6
"""Choice, as in the simulator: longer lines have more needles, but less than in proportion."""
DOT_LENGTH: Final = 0.17
"""Choice: length of line that a dot of a dot matrix stands for, character heights."""


@cache
def usual_needles() -> Mapping[str, int]:
    """Needles of each character's die, the median over the shipped glyph sources."""
    sources = load_sources(split="train")
    lengths = np.array([[_length(glyph) for glyph in source.strokes] for source in sources])
    relative = lengths / lengths.mean(axis=1, keepdims=True)
    counts = np.clip(np.rint(USUAL * np.median(relative, axis=0) ** LENGTH_POWER), FEWEST, MOST)
    return {character: int(n) for character, n in zip(CHARACTERS, counts, strict=True)}


def needles_of(mark: str, needles: Mapping[str, int] | None = None) -> int:
    """Needles of a whole mark, both rows.

    Parameters
    ----------
    mark : str
    needles : mapping, optional
        Needles of the herd's dies; characters that it lacks are counted as usual.
    """
    usual = usual_needles()
    own = needles or {}
    return sum(own.get(c, usual[c]) for c in mark if c != ROW_SEPARATOR)


def _length(glyph: Glyph) -> float:
    total = 0.0
    for line in glyph:
        steps = np.diff(np.asarray(line, dtype=np.float64), axis=0)
        total += float(np.hypot(steps[:, 0], steps[:, 1]).sum()) if len(line) > 1 else DOT_LENGTH
    return max(total, 0.5)
