"""Dots of one punched die against the needles of a known die: which match, which are missing.

A point process: each needle of the die makes a dot near its place or none, other dots fall
anywhere. The die is laid over the dots by repeated pairing (optimal assignment within a gate) and
an affine fit, pulled towards no change; iterated closest points of Besl and McKay 1992,
doi:10.1109/34.121791, with one-to-one pairs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Points

PLACE_SIGMA: Final = 0.02
"""Choice: spread of a dot about its needle, in character heights; dots on paper are found to about
0.1 pixel, the rest is paper and perspective."""
GATE: Final = 0.075
"""Choice: a dot farther than this from a needle is not that needle's, heights."""
BEND_REACH: Final = 0.30
"""Choice: a missing needle and a dot of no needle this near each other are one bent needle."""
P_MISSING: Final = 0.01
"""Choice, no source: chance that a needle leaves no dot on paper."""
STRAY_DENSITY: Final = 0.02
"""Choice: dots of no needle per square height of the cell."""
UNKNOWN_SIGMA: Final = 0.08
"""Choice: how well a shape whose needles are not known foretells its dots, heights."""
_ROUNDS: Final = 6
_RIDGE: Final = 2.0
_STARTS: Final = ((0.0, 0.0), (0.06, 0.0), (-0.06, 0.0), (0.0, 0.06), (0.0, -0.06))


@dataclass(frozen=True, slots=True)
class DieMatch:
    """One known die laid over the dots of one place."""

    loglik: float
    """Log-likelihood of the dots, per square height; comparable between dies."""
    pairs: tuple[tuple[int, int], ...]
    """(needle, dot)."""
    missing: tuple[int, ...]
    """Needles without a dot, bent ones not among them."""
    bent: tuple[int, ...]
    """Needles whose dot lies elsewhere."""
    stray: int
    """Dots of no needle."""


def match_die(dots: Points, needles: Points) -> DieMatch:
    """Lay a die over dots.

    Parameters
    ----------
    dots, needles : (n, 2) float64
        In heights of the row's characters; the origin of each is of no account.

    Returns
    -------
    DieMatch
        Of the best of a few starts.
    """
    if not len(dots):
        lost = tuple(range(len(needles)))
        return DieMatch(len(needles) * math.log(P_MISSING), (), lost, (), 0)
    best: DieMatch | None = None
    start = _middle(dots) - _middle(needles)
    for shift in _STARTS:
        found = _from_start(dots, needles, start + np.array(shift))
        if best is None or found.loglik > best.loglik:
            best = found
    assert best is not None
    return best


def unknown_loglik(n_dots: int) -> float:
    """Log-likelihood of so many dots under a shape whose needles are not known."""
    return n_dots * (-math.log(2 * math.pi * UNKNOWN_SIGMA**2) - 1.0)


def turned(needles: Points) -> Points:
    """The die upside down."""
    return np.asarray(2 * _middle(needles) - needles, dtype=np.float64)


def same_turned(dots: Points) -> bool:
    """Whether dots lie, within their scatter, as they would with the die upside down.

    Parameters
    ----------
    dots : (n, 2) float64
        Of one die, in heights of the row's characters.
    """
    match = match_die(dots, turned(dots))
    if match.stray or len(match.pairs) < len(dots):
        return False
    over = turned(dots)
    gaps = np.array([over[needle] - dots[dot] for needle, dot in match.pairs])
    gaps -= gaps.mean(axis=0)
    # Both ends of a gap scatter.
    return bool(np.sqrt((gaps**2).mean()) < math.sqrt(2.0) * PLACE_SIGMA)


def _middle(points: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray((points.min(axis=0) + points.max(axis=0)) / 2, dtype=np.float64)


def _from_start(dots: Points, needles: Points, shift: NDArray[np.float64]) -> DieMatch:
    from scipy.optimize import linear_sum_assignment

    centre = needles.mean(axis=0)
    placed = needles + shift
    gate = 0.2
    rows = columns = np.zeros(0, np.intp)
    for _ in range(_ROUNDS):
        distance = np.hypot(*(placed[:, None] - dots[None]).transpose(2, 0, 1))
        rows, columns = linear_sum_assignment(np.minimum(distance, gate))
        near = distance[rows, columns] < gate
        rows, columns = rows[near], columns[near]
        if len(rows) < 2:
            break
        placed = _fitted(needles, dots[columns], rows, centre)
        gate = max(gate * 0.75, GATE)
    distance = np.hypot(*(placed[:, None] - dots[None]).transpose(2, 0, 1))
    near = distance[rows, columns] < GATE
    rows, columns = rows[near], columns[near]
    missing = sorted(set(range(len(needles))) - set(rows.tolist()))
    stray = sorted(set(range(len(dots))) - set(columns.tolist()))
    squares = float((distance[rows, columns] ** 2).sum()) / PLACE_SIGMA**2
    loglik = (
        len(rows) * (math.log1p(-P_MISSING) - math.log(2 * math.pi * PLACE_SIGMA**2))
        - 0.5 * squares
        + len(missing) * math.log(P_MISSING)
        + len(stray) * math.log(STRAY_DENSITY)
    )
    bent = []
    for needle in list(missing):
        if stray:
            gaps = [float(np.hypot(*(placed[needle] - dots[dot]))) for dot in stray]
            if min(gaps) < BEND_REACH:
                stray.pop(int(np.argmin(gaps)))
                missing.remove(needle)
                bent.append(needle)
    pairs = tuple((int(a), int(b)) for a, b in zip(rows, columns, strict=True))
    return DieMatch(loglik, pairs, tuple(missing), tuple(bent), len(stray))


def _fitted(
    needles: Points, targets: Points, rows: NDArray[np.intp], centre: NDArray[np.float64]
) -> Points:
    """All needles after the affine fit of the paired ones, pulled towards a plain shift."""
    source = needles[rows] - centre
    middle_s, middle_t = source.mean(axis=0), targets.mean(axis=0)
    a, b = source - middle_s, targets - middle_t
    pull = _RIDGE * 0.02 * np.eye(2)
    matrix = np.linalg.solve(a.T @ a + pull, a.T @ b + pull)
    return np.asarray((needles - centre - middle_s) @ matrix + middle_t, dtype=np.float64)
