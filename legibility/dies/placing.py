"""Three rules by which die makers place needles, so that no reader rests on one of them.

"ends" puts needles at line ends and corners first (``dies.layout``); "loose" spreads them along the
lines from anywhere, at not quite even distances; "matrix" takes the dots of a dot matrix that the
lines pass. (Die makers' rules are not published: the rules are choices, no source.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from legibility.dies.layout import MIN_DISTANCE, needle_layout
from legibility.dies.strokes import Points

Rule = Literal["ends", "loose", "matrix"]
RULES: Final[tuple[Rule, ...]] = get_args(Rule)
SHARES: Final = (0.45, 0.35, 0.2)
"""Choice: how often each rule is drawn."""
STEP: Final = 0.01
"""Choice: distance of the points a line is followed by, in glyph heights."""
UNEVEN: Final = (0.0, 0.35)
"""Choice: how far a loose needle may lie from its even place, as a share of the distance."""
MATRIX_ROWS: Final = (6, 10)
"""Choice: fewest rows of a dot matrix, and one more than most."""
MATRIX_STRETCH: Final = (0.75, 1.2)
"""Choice: distance of a matrix's columns over that of its rows."""
LEAST_PASSED: Final = 0.4
"""Choice: length of line near a dot, over the distance of the rows, from which it is inked."""
EVEN_THINNING: Final = 0.5
"""Choice: share of matrices too rich in dots that are thinned evenly; the others at random."""

LEAST_KEPT: Final = 0.7
"""Choice: dots of a matrix that random thinning leaves, as a share."""

Dense = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Placing:
    """How the needles of one set of dies were placed."""

    rule: Rule
    uneven: float
    """How far a loose needle may lie from its even place, as a share of the distance."""
    rows: int
    """Rows of the dot matrix."""
    stretch: float
    """Distance of its columns over that of its rows."""
    even: bool
    """A matrix with too many dots is thinned evenly, else at random."""


def draw_placing(rng: np.random.Generator, *, rule: Rule | None = None) -> Placing:
    """How one set was made; ``rule`` is kept when given."""
    drawn = RULES[int(rng.choice(len(RULES), p=SHARES))]
    return Placing(
        rule=rule or drawn,
        uneven=float(rng.uniform(*UNEVEN)),
        rows=int(rng.integers(*MATRIX_ROWS)),
        stretch=float(rng.uniform(*MATRIX_STRETCH)),
        even=bool(rng.random() < EVEN_THINNING),
    )


def place_needles(
    strokes: Sequence[Points],
    placing: Placing,
    *,
    needles: int,
    jitter: float,
    rng: np.random.Generator,
) -> Points:
    """Needle positions of one character.

    Parameters
    ----------
    strokes : lines of the glyph in the unit box, each (n, 2)
    placing : of the set
    needles : wanted number; a loose die has fewer where needles would touch, a matrix that is
        thinned at random keeps ``LEAST_KEPT`` of its dots
    jitter : standard deviation of each coordinate, in glyph heights
    rng : source of phases, thinning and jitter

    Returns
    -------
    (n, 2) float32, x, y in the unit box (jitter may leave it by a little)

    Raises
    ------
    ValueError
        If there are no lines or ``needles`` is less than 1.
    """
    if placing.rule == "ends" or not strokes or needles < 1:
        return needle_layout(strokes, needles=needles, jitter=jitter, rng=rng)
    if all(len(line) == 1 for line in strokes):
        dots = np.concatenate([np.asarray(line, np.float64) for line in strokes])
        placed = _thinned(dots, placing, needles, rng)
    elif placing.rule == "loose":
        placed = _loose(_followed(strokes), placing, needles, rng)
    else:
        placed = _thinned(_matrix(_followed(strokes), placing), placing, needles, rng)
    return (placed + rng.normal(0.0, jitter, placed.shape)).astype(np.float32)


def _followed(strokes: Sequence[Points]) -> Dense:
    """Points at ``STEP`` along all lines, end to end."""
    parts = []
    for line in strokes:
        points = np.asarray(line, dtype=np.float64)
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        at = np.linspace(0.0, along[-1], max(1, round(along[-1] / STEP) + 1))
        parts.append(np.stack([np.interp(at, along, points[:, k]) for k in (0, 1)], axis=1))
    return np.concatenate(parts)


def _loose(dense: Dense, placing: Placing, needles: int, rng: np.random.Generator) -> Dense:
    aside = rng.uniform(-placing.uneven, placing.uneven, needles)
    places = np.arange(needles) + rng.random() + aside
    index = np.floor((places / needles) % 1.0 * len(dense)).astype(np.int64)
    kept: list[int] = []
    for k in np.sort(index):
        if not kept or np.hypot(*(dense[kept] - dense[k]).T).min() >= MIN_DISTANCE:
            kept.append(int(k))
    return dense[kept]


def _matrix(dense: Dense, placing: Placing) -> Dense:
    """Dots of a matrix over the glyph's own box that enough of its lines pass."""
    low, high = dense.min(axis=0), dense.max(axis=0)
    pitch_y = 1.0 / (placing.rows - 1)
    cells = np.round((high - low) / np.array([pitch_y * placing.stretch, pitch_y]))
    pitch = np.where(cells > 0, (high - low) / np.maximum(cells, 1), 1.0)
    dots, passed = np.unique(np.round((dense - low) / pitch), axis=0, return_counts=True)
    inked = passed * STEP >= LEAST_PASSED * pitch_y
    return np.asarray(low + (dots[inked] if inked.any() else dots) * pitch, dtype=np.float64)


def _thinned(dots: Dense, placing: Placing, needles: int, rng: np.random.Generator) -> Dense:
    if not placing.even:
        needles = max(needles, round(LEAST_KEPT * len(dots)))
    if len(dots) <= needles:
        return dots
    if not placing.even:
        return dots[np.sort(rng.permutation(len(dots))[:needles])]
    kept = [int(rng.integers(len(dots)))]
    gap = np.hypot(*(dots - dots[kept[0]]).T)
    while len(kept) < needles:
        kept.append(int(np.argmax(gap + 1e-6 * rng.random(len(dots)))))
        gap = np.minimum(gap, np.hypot(*(dots - dots[kept[-1]]).T))
    return np.asarray(dots[np.sort(kept)], dtype=np.float64)
