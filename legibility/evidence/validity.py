"""How good likelihood ratios are, measured on disputes whose truth is known.

Ratios are given as natural logarithms: ``same`` where the first proposition was true, ``other``
where the second one was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

LN2: Final = float(np.log(2.0))
PRIOR_LOG10_ODDS: Final = np.linspace(-2.5, 2.5, 51)
"""Choice: prior odds from 1 : 316 to 316 : 1 at which empirical cross-entropy is drawn."""
BOUND_STEP: Final = 0.01
"""Choice: steps of the common logarithm in which bounds are sought, as in the paper's code."""


def cllr(same: ArrayLike, other: ArrayLike) -> float:
    """Log-likelihood-ratio cost in bits.

    ``(mean log2(1 + 1/LR) where the first was true + mean log2(1 + LR) where the second was) / 2``.
    0 is perfect, 1 is what saying nothing costs, more is worse than saying nothing.

    Brümmer & du Preez 2006, Comput. Speech Lang. 20:230-275, doi:10.1016/j.csl.2005.08.001.

    Raises
    ------
    ValueError
        If one of the two is empty or holds NaN.
    """
    first, second = _checked(same), _checked(other)
    cost_first = np.mean(np.logaddexp(0.0, -first))
    cost_second = np.mean(np.logaddexp(0.0, second))
    return float((cost_first + cost_second) / (2 * LN2))


def pav(values: ArrayLike, weights: ArrayLike | None = None) -> NDArray[np.float64]:
    """Non-decreasing values nearest to the given ones in least squares: pool adjacent violators.

    Ayer, Brunk, Ewing, Reid & Silverman 1955, Ann. Math. Stat. 26:641-647.

    Examples
    --------
    >>> pav([1, 3, 2, 4, 3, 5]).tolist()
    [1.0, 2.5, 2.5, 3.5, 3.5, 5.0]
    """
    given = np.asarray(values, dtype=np.float64)
    share = np.ones_like(given) if weights is None else np.asarray(weights, dtype=np.float64)
    means: list[float] = []
    totals: list[float] = []
    counts: list[int] = []
    for value, weight in zip(given.tolist(), share.tolist(), strict=True):
        means.append(value)
        totals.append(weight)
        counts.append(1)
        while len(means) > 1 and means[-2] >= means[-1]:
            total = totals[-2] + totals[-1]
            mean = (means[-2] * totals[-2] + means[-1] * totals[-1]) / total
            means[-2:], totals[-2:] = [mean], [total]
            counts[-2:] = [counts[-2] + counts[-1]]
    return np.repeat(np.array(means), counts)


def pav_log_ratios(
    same: ArrayLike, other: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The best monotone recalibration of ratios, fitted on the very ratios it is applied to.

    Brümmer & du Preez 2006: the share of "first was true" at each ratio is made monotone by PAV
    and turned into a log ratio. It only measures what calibration could reach at most; infinite
    values are possible.

    Returns
    -------
    same, other : ndarray of float64
        In the order given.
    """
    first, second = _checked(same), _checked(other)
    scores = np.concatenate([first, second])
    truth = np.concatenate([np.ones(first.size), np.zeros(second.size)])
    # Equal ratios are one group: their order must not matter.
    levels, group = np.unique(scores, return_inverse=True)
    counts = np.bincount(group, minlength=levels.size).astype(np.float64)
    shares = pav(np.bincount(group, truth, minlength=levels.size) / counts, counts)[group]
    with np.errstate(divide="ignore"):
        log_odds = np.log(shares) - np.log1p(-shares)
    log_ratio = log_odds - np.log(first.size / second.size)
    return log_ratio[: first.size], log_ratio[first.size :]


def cllr_min(same: ArrayLike, other: ArrayLike) -> float:
    """Cllr after the best monotone recalibration: what remains is missing discrimination."""
    return cllr(*pav_log_ratios(same, other))


@dataclass(frozen=True, slots=True)
class Tippett:
    """Shares of ratios at least as large as a value."""

    log10_ratio: NDArray[np.float64]
    """Ascending."""
    same: NDArray[np.float64]
    """Share of the ratios where the first proposition was true that are >= the value."""
    other: NDArray[np.float64]


def tippett(same: ArrayLike, other: ArrayLike) -> Tippett:
    """Inverse cumulative shares of both kinds of ratios.

    Evett & Buckleton 1996 called it so after Tippett et al. 1968 (from memory).
    """
    first, second = np.sort(_checked(same)), np.sort(_checked(other))
    at = np.unique(np.concatenate([first, second]))
    return Tippett(
        log10_ratio=at / np.log(10.0),
        same=1.0 - np.searchsorted(first, at, side="left") / first.size,
        other=1.0 - np.searchsorted(second, at, side="left") / second.size,
    )


def misleading(same: ArrayLike, other: ArrayLike) -> tuple[int, int]:
    """How many ratios speak for the wrong proposition: where the first, the second was true."""
    return int(np.sum(_checked(same) < 0)), int(np.sum(_checked(other) > 0))


def empirical_cross_entropy(
    same: ArrayLike, other: ArrayLike, *, log10_prior_odds: ArrayLike = PRIOR_LOG10_ODDS
) -> NDArray[np.float64]:
    """Mean information still missing after the ratio, in bits, at each prior.

    ``P mean log2(1 + 1/(LR O)) + (1 - P) mean log2(1 + LR O)`` with prior odds O and P = O/(1+O).
    At prior odds 1 it equals Cllr.

    Ramos & Gonzalez-Rodriguez 2013, Forensic Sci. Int. 230:156-169 (from memory).

    Returns
    -------
    ndarray of float64, as many as priors
    """
    first, second = _checked(same), _checked(other)
    prior = np.asarray(log10_prior_odds, dtype=np.float64) * np.log(10.0)
    p = 1.0 / (1.0 + np.exp(-prior))
    cost_first = np.logaddexp(0.0, -(first[:, None] + prior)).mean(axis=0)
    cost_second = np.logaddexp(0.0, second[:, None] + prior).mean(axis=0)
    return np.asarray((p * cost_first + (1 - p) * cost_second) / LN2, dtype=np.float64)


def prior_entropy(log10_prior_odds: ArrayLike = PRIOR_LOG10_ODDS) -> NDArray[np.float64]:
    """Bits missing without any ratio: the reference line of the cross-entropy plot."""
    return empirical_cross_entropy([0.0], [0.0], log10_prior_odds=log10_prior_odds)


def bounds(same: ArrayLike, other: ArrayLike) -> tuple[float, float]:
    """Smallest and largest log ratio that validation data of this size and quality support.

    Empirical lower and upper bound. One misleading ratio, however strong, is added to each kind.
    A ratio t is supported as long as a decision at the threshold t, with loss 1 for a true first
    proposition that is refused and loss t for a false one that is accepted, costs no more than a
    decision without any ratio:

        share(same <= t) + t share(other > t)  <=  min(1, t)

    The range searched ends at the number of ratios plus one, so n disputes never support more
    than n + 1 to 1.

    Vergeer, van Es, de Jongh, Alberink & Stoel 2016, Sci. Justice 56:482-491,
    doi:10.1016/j.scijus.2016.06.003.

    Returns
    -------
    low, high : float
        Natural logarithms, low <= 0 <= high; both 0 where the data support no ratio at all.
    """
    first = np.clip(_checked(same) / np.log(10.0), -9.0, 9.0)
    second = np.clip(_checked(other) / np.log(10.0), -9.0, 9.0)
    everything = np.concatenate([first, second])
    low = max(float(everything.min()), -float(np.log10(first.size + 1)))
    high = min(float(everything.max()), float(np.log10(second.size + 1)))
    below = min(0, int(np.floor(low / BOUND_STEP)))
    above = max(0, int(np.floor(high / BOUND_STEP)) + 1)
    at = np.arange(below, above + 1) * BOUND_STEP
    loss = 10.0**at
    kept_first = (np.searchsorted(np.sort(first), at, side="right")) / (first.size + 1)
    rejected = kept_first + 1.0 / (first.size + 1)
    accepted = (second.size - np.searchsorted(np.sort(second), at, side="right") + 1.0) / (
        second.size + 1
    )
    system = rejected + loss * accepted
    # Ratios of 1 are accepted below a threshold of 1 only.
    silent = np.where(at < 0, loss, 1.0)
    worse = system > silent
    wrong_low, wrong_high = at[worse & (at <= 0)], at[worse & (at >= 0)]
    lowest = float(np.max(wrong_low + BOUND_STEP, initial=float(at[0])))
    highest = float(np.min(wrong_high - BOUND_STEP, initial=float(at[-1])))
    return min(lowest, 0.0) * float(np.log(10.0)), max(highest, 0.0) * float(np.log(10.0))


def _checked(log_ratios: ArrayLike) -> NDArray[np.float64]:
    values = np.asarray(log_ratios, dtype=np.float64).ravel()
    if values.size == 0:
        raise ValueError("no ratios; expected at least one of each kind")
    if np.isnan(values).any():
        raise ValueError("a log ratio is not a number")
    return values
