r"""The non-parametric curve for times that are only known to lie in intervals.

The likelihood :math:`\prod_i (S(l_i) - S(r_i))^{n_i}` depends only on the masses of the innermost
intervals (Turnbull 1976, J. R. Stat. Soc. B 38:290-295, doi:10.1111/j.2517-6161.1976.tb01597.x):
those that begin at some ``l``, end at some ``r`` and hold no other end. The masses are found by
self-consistency, ``p_j <- p_j g_j / n`` with ``g_j = sum_i n_i [j in i] / P_i``.

The log-likelihood is concave in the masses, so that the optimum is at most ``n log(max_j g_j / n)``
above any point: iterations end when that bound is small, not when steps are
(Gentleman & Geyer 1994, Biometrika 81:618-623, doi:10.1093/biomet/81.3.618).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from legibility.herd.intervals import Floats, Spans, resampled

GAP: Final = 1e-7
"""Choice: iterations end when the log-likelihood is certainly this near to its maximum."""
ROUNDS: Final = 200_000
"""Choice: most iterations; what is left of the gap is in the result."""
GAP_BOOTSTRAP: Final = 0.01
"""Choice: the same for bootstrap samples, whose own scatter is a hundred times larger."""
LEAST_MASS: Final = 1e-12
"""Arithmetic: masses below this are zero; the gap is checked with them."""


@dataclass(frozen=True, slots=True)
class Turnbull:
    """Masses on the innermost intervals (left, right]."""

    left: Floats
    """(m,) increasing."""
    right: Floats
    """(m,); infinite for the mass beyond the last sighting."""
    mass: Floats
    """(m,) sums to one."""
    loglik: float
    gap: float
    """How far below its maximum the log-likelihood may be."""
    rounds: int

    def survival(self, at: ArrayLike) -> tuple[Floats, Floats]:
        """Lowest and highest curve at some times: inside an interval the data do not say more."""
        times = np.asarray(at, dtype=np.float64)
        beyond = np.concatenate([np.cumsum(self.mass[::-1])[::-1], [0.0]])
        high = beyond[np.searchsorted(self.right, times, side="right")]
        low = beyond[np.searchsorted(self.left, times, side="left")]
        return np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)


def turnbull(data: Spans, *, gap: float = GAP, rounds: int = ROUNDS) -> Turnbull:
    """Fit the curve.

    Parameters
    ----------
    data : Spans
        Properties are not looked at.
    gap : float
        Bound on what is left to the maximum of the log-likelihood.

    Raises
    ------
    ValueError
        If there is no interval.
    """
    if not len(data):
        raise ValueError("no intervals; expected at least one")
    left, right = _innermost(data.left, data.right)
    first = np.searchsorted(left, data.left, side="left")
    last = np.searchsorted(right, data.right, side="right")
    total = float(data.count.sum())
    mass = np.full(len(left), 1.0 / len(left))
    bound, done = math.inf, 0
    inside = _inside(mass, first, last)
    for done in range(1, rounds + 1):  # noqa: B007
        grown = _gradient(data.count / inside, first, last, len(left)) / total
        bound = total * math.log(max(float(grown.max()), 1.0))
        if bound <= gap:
            break
        # Two steps at once where that is better, one otherwise (Lange 1995, over-relaxed EM).
        step = mass * grown**2
        step /= step.sum()
        wide = _inside(step, first, last)
        if float((data.count * np.log(np.maximum(wide, 1e-300) / inside)).sum()) < 0:
            step = mass * grown
            wide = _inside(step, first, last)
        mass, inside = step, wide
    kept = mass > LEAST_MASS
    loglik = float((data.count * np.log(inside)).sum())
    return Turnbull(left[kept], right[kept], mass[kept] / mass[kept].sum(), loglik, bound, done)


def turnbull_bands(
    data: Spans, at: ArrayLike, *, samples: int, rng: np.random.Generator, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Bootstrap interval of the curve at some times, percentile method, marks resampled.

    Inside an innermost interval the lower end of the lowest and the upper end of the highest curve.
    """
    times = np.asarray(at, dtype=np.float64)
    curves = [
        turnbull(resampled(data, rng), gap=GAP_BOOTSTRAP, rounds=2000).survival(times)
        for _ in range(samples)
    ]
    tail = 100 * (1 - confidence) / 2
    lows = np.percentile([low for low, _ in curves], tail, axis=0)
    highs = np.percentile([high for _, high in curves], 100 - tail, axis=0)
    return np.asarray(lows, np.float64), np.asarray(highs, np.float64)


def _innermost(left: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Intervals (l, r] with no other end inside; of equal ends a right one comes first."""
    lows, highs = np.unique(left), np.unique(right)
    ends = np.concatenate([highs, lows])
    is_left = np.concatenate([np.zeros(len(highs), np.int64), np.ones(len(lows), np.int64)])
    order = np.lexsort((is_left, ends))
    ends, is_left = ends[order], is_left[order]
    here = np.flatnonzero((is_left[:-1] == 1) & (is_left[1:] == 0))
    return ends[here], ends[here + 1]


def _inside(mass: Floats, first: NDArray[np.int64], last: NDArray[np.int64]) -> Floats:
    """Mass inside each interval, as sums over a range."""
    summed = np.concatenate([[0.0], np.cumsum(mass)])
    return np.asarray(np.maximum(summed[last] - summed[first], 1e-300), np.float64)


def _gradient(
    weight: Floats, first: NDArray[np.int64], last: NDArray[np.int64], size: int
) -> Floats:
    change = np.bincount(first, weight, minlength=size + 1)
    change = change - np.bincount(last, weight, minlength=size + 1)
    return np.asarray(np.cumsum(change)[:size], np.float64)
