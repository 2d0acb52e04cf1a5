"""Probability arithmetic in logarithms that stays finite at the extremes."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import logsumexp

LOG_FLOOR: Final = -60.0
"""Choice: smallest log-probability kept (1e-26), so that no claim is ever infinitely certain."""


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
    return np.asarray(values - logsumexp(values, axis=axis, keepdims=True), dtype=np.float64)


def temper(logp: ArrayLike, *, temperature: float, axis: int = -1) -> NDArray[np.float64]:
    """Normalised log-probabilities after division by a temperature (> 1 makes them less sure).

    Guo et al. 2017, "On calibration of modern neural networks", section 4.2.
    """
    if not temperature > 0:
        raise ValueError(f"temperature is {temperature}; expected a positive number")
    return normalise_log(np.asarray(logp, dtype=np.float64) / temperature, axis=axis)


def entropy_bits(logp: ArrayLike, *, axis: int = -1) -> NDArray[np.float64]:
    """Shannon entropy in bits of normalised natural-log probabilities."""
    values = np.asarray(logp, dtype=np.float64)
    weights = np.exp(values)
    terms = np.where(weights > 0, weights * np.maximum(values, LOG_FLOOR), 0.0)
    return np.asarray(-np.sum(terms, axis=axis) / np.log(2.0), dtype=np.float64)
