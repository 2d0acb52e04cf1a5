"""Probability arithmetic in logarithms that stays finite at the extremes, and as people read it."""

from __future__ import annotations

from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

LogProbability: TypeAlias = NDArray[np.float64]
"""Natural logarithms of probabilities."""

LOG_FLOOR: Final = -60.0
"""Choice: smallest log-probability kept (1e-26), so that no claim is ever infinitely certain."""
SHARE_SHOWN: Final = 0.001
"""Choice: a probability nearer to 0 or 1 than this is written "< 0.1 %" or "> 99.9 %"."""


def log_sum_exp(values: ArrayLike, *, axis: int = -1) -> NDArray[np.float64]:
    """``log(sum(exp(values)))`` along an axis that is kept with length one, without overflow.

    Blanchard, Higham & Higham 2021, "Accurately computing the log-sum-exp and softmax functions",
    IMA J. Numer. Anal. 41:2311-2330, algorithm 3.1 (shift by the largest value).

    Parameters
    ----------
    values : array_like of float
        ``-inf`` allowed; an axis of nothing else gives ``-inf``.

    Returns
    -------
    ndarray of float64
    """
    array = np.asarray(values, dtype=np.float64)
    largest = array.max(axis=axis, keepdims=True)
    shift = np.where(np.isfinite(largest), largest, 0.0)
    with np.errstate(divide="ignore"):
        total = np.log(np.exp(array - shift).sum(axis=axis, keepdims=True))
    return np.asarray(total + shift, dtype=np.float64)


def normalise_log(logp: ArrayLike, *, axis: int = -1) -> NDArray[np.float64]:
    """Log-probabilities that sum to one along ``axis``.

    Parameters
    ----------
    logp : array_like of float
        Unnormalised natural-log probabilities; ``-inf`` allowed, but not along a whole axis.

    Returns
    -------
    ndarray of float64, same shape
    """
    values = np.asarray(logp, dtype=np.float64)
    return np.asarray(values - log_sum_exp(values, axis=axis), dtype=np.float64)


def percent(probability: float) -> str:
    """A probability as people read it, never as certainty.

    Examples
    --------
    >>> percent(0.934), percent(0.9999), percent(0.00001), percent(0.031)
    ('93 %', '> 99.9 %', '< 0.1 %', '3.1 %')
    """
    if not probability >= 0:
        return "unknown"
    if probability < SHARE_SHOWN:
        return "< 0.1 %"
    if probability > 1 - SHARE_SHOWN:
        return "> 99.9 %"
    if probability < 0.0995 or probability > 0.9905:
        return f"{100 * probability:.1f} %"
    return f"{100 * probability:.0f} %"
