"""Why one character is read as another, worked out from where the needles of their dies stand.

For dies of several glyph sources, the needles of the pressed character are laid over those of the
character that is read, upright, turned by half a circle, and mirrored. What the two lack of each
other says what must have happened:

- every needle of the read character stands on one of the pressed: *needles lost*;
- every needle of the pressed character stands on one of the read, which has more: *bleed joins*;
- they fit when one is turned, or seen from behind: *upside down*, *seen mirrored*;
- they are about as many needles in almost the same places: *hardly differ*;
- neither: *unlike*; the reading failed for another reason, or a wrong die was loaded.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, index_of
from legibility.dies.layout import needle_layout
from legibility.dies.strokes import GlyphSource, load_sources

SOURCES: Final = 48
"""Measured: with 6 glyph sources O and 0 were told apart by two odd ones among them; from 12 to 48
the distances below move by 0.02 at most."""
NEEDLES: Final = 12
"""Choice: needles of a die; sets have 8 to 16."""
ON: Final = 0.11
"""Choice: two needles nearer than so many character heights make the same dot (a needle's bed is
0.09 wide, ``dies.layout.MIN_DISTANCE``)."""
FIT: Final = 0.105
"""Measured here: a turned or mirrored die fits another character below this mean distance, heights
(turned 6 and 9: 0.01, A and V: 0.06, M and W: 0.10; mirrored J and L: 0.085)."""
SAME: Final = 0.085
"""Measured here: O and 0 lie 0.08 apart, C and O 0.09 (medians of ``SOURCES``, as all below)."""
ONE_SIDED: Final = 1.0
"""Choice: where one lacks so many needles more than the other, those needles make the difference
(8 and 3, B and D), however near the rest lies."""
BETTER: Final = 0.75
"""Choice: turned or mirrored counts when it fits so much better than upright."""
APART: Final = 0.3
"""Choice: one character's needles lie on the other's, and not the other way round, when the mean
distances differ by this share of the larger."""
FAR: Final = 0.127
"""Measured here: neither character's needles lie on the other's above this mean distance, heights
(V and W 0.16, B and W 0.14; M and N 0.125, M and W turned 0.10)."""

TURNED: Final = {"6": "9", "9": "6", "M": "W", "W": "M", "L": "7", "7": "L"}
"""As in ``identify.channel``, which a test holds equal: what a die upside down is taken for."""


@dataclass(frozen=True, slots=True)
class Mechanism:
    """Why a pressed character is read as another one."""

    kind: str
    """"hardly differ", "needles lost", "bleed joins", "upside down", "seen mirrored" or
    "unlike"."""
    lost: float
    """Needles of the pressed character that must not show, mean over the dies."""
    joined: float
    """Needles of the read character that must appear, mean over the dies."""

    @property
    def words(self) -> str:
        """In words, with the number of needles where that says more."""
        if self.kind == "needles lost" and self.lost >= 0.5:
            return f"{self.lost:.0f} of {NEEDLES} needles lost"
        if self.kind == "bleed joins" and self.joined >= 0.5:
            return f"bleed joins {self.joined:.0f} dots"
        return self.kind


def turned_index() -> NDArray[np.int64]:
    """(36,) what each die makes upside down; itself when nothing else."""
    return np.array([index_of(TURNED.get(character, character)) for character in CHARACTERS])


def mechanism(pressed: str, read: str) -> Mechanism:
    """Why ``pressed`` is read as ``read``.

    Examples
    --------
    >>> mechanism("6", "9").kind
    'upside down'
    """
    return _mechanism(index_of(pressed), index_of(read))


@lru_cache(maxsize=N_CHARACTERS**2)
def _mechanism(pressed: int, read: int) -> Mechanism:
    away, near, lost, joined = np.median(_distances(_dies(pressed), _dies(read)), axis=1)
    turned = _fit(pressed, read, np.array([-1.0, -1.0]))
    mirrored = _fit(pressed, read, np.array([-1.0, 1.0]))
    both = max(away, near)
    if turned < min(FIT, BETTER * both):
        kind = "upside down"
    elif mirrored < min(FIT, BETTER * both):
        kind = "seen mirrored"
    elif min(away, near) > FAR:
        kind = "unlike"
    elif abs(away - near) > APART * both:
        kind = "needles lost" if near < away else "bleed joins"
    elif both < SAME and abs(lost - joined) < ONE_SIDED:
        kind = "hardly differ"
    else:
        kind = "needles lost" if lost >= joined else "bleed joins"
    return Mechanism(kind, float(lost), float(joined))


def _fit(pressed: int, read: int, factor: NDArray[np.float64]) -> float:
    """Mean distance, heights, of a turned or mirrored die from another, median over sources."""
    dies = _dies(pressed)
    over = _Dies(dies.needles * factor, dies.there)
    return float(np.median(_distances(over, _dies(read))[:2].max(axis=0)))


def _distances(pressed: _Dies, read: _Dies) -> NDArray[np.float64]:
    """(4, sources) mean distance pressed to read, read to pressed; needles of each on none."""
    one, other = pressed.needles[:, :, None], read.needles[:, None]
    gaps = np.hypot(one[..., 0] - other[..., 0], one[..., 1] - other[..., 1])
    there = np.where(read.there[:, None], gaps, np.inf).min(axis=2)
    back = np.where(pressed.there[:, :, None], gaps, np.inf).min(axis=1)
    out = []
    for near, real in ((there, pressed.there), (back, read.there)):
        out.append(np.where(real, near, 0.0).sum(axis=1) / real.sum(axis=1))
    out += [
        (there > ON).sum(axis=1, where=pressed.there),
        (back > ON).sum(axis=1, where=read.there),
    ]
    return np.array(out, dtype=np.float64)


@lru_cache(maxsize=1)
def _sources() -> tuple[GlyphSource, ...]:
    """A few sources of drawn characters."""
    drawn = [source for source in load_sources() if source.kind != "grid"]
    return tuple(drawn[:: max(1, len(drawn) // SOURCES)][:SOURCES])


@dataclass(frozen=True, slots=True)
class _Dies:
    """A character's die in each source."""

    needles: NDArray[np.float64]
    """(sources, most needles, 2) about the middle of their box."""
    there: NDArray[np.bool_]
    """(sources, most needles) False beyond the last needle of a die that has fewer."""


@lru_cache(maxsize=N_CHARACTERS)
def _dies(character: int) -> _Dies:
    """Needles of a character in each source."""
    rng = np.random.default_rng(0)
    placed = [
        np.asarray(needle_layout(s.strokes[character], needles=NEEDLES, jitter=0.0, rng=rng))
        for s in _sources()
    ]
    needles = np.zeros((len(placed), max(map(len, placed)), 2))
    there = np.zeros(needles.shape[:2], dtype=bool)
    for k, die in enumerate(placed):
        needles[k, : len(die)] = die - (die.min(axis=0) + die.max(axis=0)) / 2
        there[k, : len(die)] = True
    return _Dies(needles, there)
