"""Probabilities as they are written down."""

from __future__ import annotations

import math
from typing import Final

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
