"""Doubt of the way round in what is said of single characters.

Characters are read given the way round and the rows of the mark. Where those are wrong the
characters are, too, however clear each one seemed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from legibility.alphabet import N_CLASSES
from legibility.probability import LogProbability

LAID_EXPONENT: Final = 0.5
"""Measured on 991 photos of ``legibility evaluate`` (seed 4545): with the square root of the way
round's probability the stated probabilities of characters are closest to how often they are right
(ECE 0.022; 0.044 without, 0.050 with all of it). It is a root because what is read of a mark laid
wrongly is right in part, and because a way round is right more often than is said."""


def with_doubt_of_way(
    cells: Sequence[LogProbability], log_way: float
) -> tuple[LogProbability, ...]:
    """Log-probabilities of cells when the way round is not certain.

    Parameters
    ----------
    cells : (37,) each, log-probabilities that sum to one
    log_way : float, at most 0
        Log-probability that the mark lies as it was laid.

    Returns
    -------
    tuple of (37,), each summing to one
        Mixed with the uniform distribution; the order of the characters stays.

    Examples
    --------
    A character of 0.98, laid in a way of 0.7: 0.82.
    """
    way = float(np.exp(LAID_EXPONENT * min(0.0, log_way)))
    return tuple(np.log(way * np.exp(cell) + (1 - way) / N_CLASSES) for cell in cells)
