"""Words for a likelihood ratio, always printed beside the number and with the whole table.

Bands: ENFSI Guideline for Evaluative Reporting in Forensic Science (2015), table of verbal
equivalents, as given by two public implementations; the guideline itself was not at hand. Other
programs print other bands under the same name, so the phrase alone says nothing: the number and
the table go with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

SOURCE: Final = (
    "ENFSI Guideline for Evaluative Reporting in Forensic Science (2015), verbal equivalents"
)
EDGES: Final = (
    "A ratio on the edge of two bands is given the weaker words; a ratio below 1 is read as its "
    "reciprocal for the other proposition."
)
"""Choice: the guideline's bands share their edges, so an edge is given to the cautious side."""


@dataclass(frozen=True, slots=True)
class Band:
    """One line of the table."""

    low: float
    """Ratio above which it begins; 2 itself is in the first band that gives support."""
    high: float
    """Last ratio it holds."""
    words: str


BANDS: Final = (
    Band(1.0, 2.0, "no support for one proposition over the other"),
    Band(2.0, 10.0, "weak support"),
    Band(10.0, 100.0, "moderate support"),
    Band(100.0, 1_000.0, "moderately strong support"),
    Band(1_000.0, 10_000.0, "strong support"),
    Band(10_000.0, 1_000_000.0, "very strong support"),
    Band(1_000_000.0, math.inf, "extremely strong support"),
)


@dataclass(frozen=True, slots=True)
class Verbal:
    """A ratio in words."""

    words: str
    ratio: float
    """At least 1: the ratio, or its reciprocal where that is larger."""
    for_first: bool
    """Whether the words speak for the first proposition; True where neither is supported."""
    supports: bool
    """False in the first band."""


def verbal(log_ratio: float) -> Verbal:
    """Words for a natural-log likelihood ratio.

    Parameters
    ----------
    log_ratio : float
        Natural logarithm of the ratio of the first proposition against the second.

    Raises
    ------
    ValueError
        If it is not a finite number.

    Examples
    --------
    >>> import math
    >>> verbal(math.log(50)).words, verbal(math.log(1 / 50)).for_first
    ('moderate support', False)
    """
    if not math.isfinite(log_ratio):
        raise ValueError(f"log ratio is {log_ratio}; expected a finite number")
    ratio = math.exp(min(abs(log_ratio), 700.0))
    # The logarithm of an edge is rarely exact; one part in 1e9 is no evidence.
    band = next(b for b in BANDS[1:] if ratio <= b.high * (1 + 1e-9))
    if ratio < 2.0 * (1 - 1e-9):
        band = BANDS[0]
    supports = band is not BANDS[0]
    return Verbal(band.words, ratio, log_ratio >= 0 or not supports, supports)


def band_range(band: Band) -> str:
    """Range of a band as printed.

    Examples
    --------
    >>> band_range(BANDS[2]), band_range(BANDS[-1])
    ('10 to 100', 'more than 1,000,000')
    """
    if math.isinf(band.high):
        return f"more than {band.low:,.0f}"
    return f"{band.low:,.0f} to {band.high:,.0f}"
