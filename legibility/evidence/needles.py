"""Two needle patterns over one cell: which needles only one claim has, and what their ink says."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

Owner: TypeAlias = Literal["first", "second", "both"]

NEAR: Final = 0.11
"""Choice: needles of the two patterns closer than this, in character heights, are one place;
needles of a die stand about 0.15 to 0.25 apart."""
SHOWS: Final = 0.75
"""As in the needle model: chance that a pressed needle shows ink."""
CLUTTER: Final = 0.05
"""As in the needle model: chance that a place without a needle looks inked."""


@dataclass(frozen=True, slots=True)
class NeedlePlace:
    """One needle of one of the two patterns, in strip pixels."""

    claim: Literal["first", "second"]
    """Whose pattern it is of."""
    owner: Owner
    """"both" when the other pattern has a needle at this place too."""
    x: float
    y: float
    inked: float
    """Probability that it shows ink, 0..1."""
    logratio: float
    """Its part of the needle model's log-likelihood of the first claim less the second."""


def owners(
    first: Sequence[tuple[float, float]],
    second: Sequence[tuple[float, float]],
    *,
    height_px: float,
    near: float = NEAR,
) -> tuple[tuple[Owner, ...], tuple[Owner, ...]]:
    """For each needle of two patterns, whether only its own pattern has a needle there.

    Parameters
    ----------
    first, second : sequence of (x, y)
    height_px : float
        Height of the character.
    """
    reach = near * height_px

    def near_any(point: tuple[float, float], others: Sequence[tuple[float, float]]) -> bool:
        return any(math.dist(point, other) <= reach for other in others)

    return (
        tuple("both" if near_any(p, second) else "first" for p in first),
        tuple("both" if near_any(p, first) else "second" for p in second),
    )


def needle_log_ratio(
    places: Sequence[tuple[Owner, float]], *, shows: float = SHOWS, clutter: float = CLUTTER
) -> float:
    """Log ratio of two exactly known patterns from the ink at each place, needles independent.

    A place where a pattern has a needle shows ink with probability ``shows``, another one with
    probability ``clutter``. With ``i`` the probability of ink given what is seen there (under a
    needle's prior), the odds of ink are divided by their prior odds to give the ratio r of the
    densities with and without ink, and the place counts

        log (1 - q1 + q1 r) / (1 - q2 + q2 r)

    Places that both patterns have cancel.

    Parameters
    ----------
    places : sequence of (owner, inked)

    Examples
    --------
    A needle only the first has is surely inked, one only the second has surely is not: 0.75 / 0.05
    times 0.95 / 0.25.

    >>> round(math.exp(needle_log_ratio([("both", 1.0), ("first", 1.0), ("second", 0.0)])), 6)
    57.0
    """
    total = 0.0
    for owner, inked in places:
        if owner == "both":
            continue
        # Numerators of r = a / b, so that a sure place needs no infinity.
        a, b = inked * (1 - shows), (1 - inked) * shows
        own = math.log((1 - shows) * b + shows * a)
        other = math.log((1 - clutter) * b + clutter * a)
        total += (own - other) if owner == "first" else (other - own)
    return total
