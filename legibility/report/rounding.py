"""Probabilities as they are written down."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

PROBABILITY_DECIMALS: Final = 6
"""Choice: decimals of a probability; see :func:`round_probability`."""


def round_probability(value: float) -> float | None:
    """A probability with six decimals that is 0 or 1 only when it was exactly that.

    Rounding must not turn "almost certain" into "certain"; not a number becomes None.

    Examples
    --------
    >>> round_probability(0.99999999), round_probability(1e-9), round_probability(1.0)
    (0.999999, 1e-06, 1.0)
    """
    if not math.isfinite(value):
        return None
    if value <= 0.0 or value >= 1.0:
        return min(max(value, 0.0), 1.0)
    step = 10.0**-PROBABILITY_DECIMALS
    return min(max(round(value, PROBABILITY_DECIMALS), step), round(1.0 - step, 6))


def millionths(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """(n,) millionths nearest to probabilities, the same as ``round(value, 6)`` of each one.

    Examples
    --------
    >>> millionths(np.array([0.25, 3e-7, 1.0])).tolist()
    [250000, 0, 1000000]
    """
    million = 10**PROBABILITY_DECIMALS
    scaled = values * million
    rounded = np.rint(scaled).astype(np.int64)
    # Multiplying may have moved a value over the middle between two; these few are looked at.
    for at in np.flatnonzero(np.abs(scaled - np.floor(scaled) - 0.5) < 1e-6):
        rounded[at] = round(round(float(values[at]), PROBABILITY_DECIMALS) * million)
    return rounded
