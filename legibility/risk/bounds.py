"""How many marks can differ from each other in at least d places: bounds of coding theory.

Places may have alphabets of different sizes, as when letters stand before digits.

Gilbert 1952 (doi:10.1002/j.1538-7305.1952.tb01393.x) and Varshamov 1957: at least
``prod q / V(d - 1)``; Hamming 1950 (doi:10.1002/j.1538-7305.1950.tb00463.x): at most
``prod q / V((d - 1) // 2)``; Singleton 1964 (doi:10.1109/TIT.1964.1053661): at most the product of
the ``n - d + 1`` smallest alphabets, since with the others struck out all marks still differ.
``V(r)`` is the number of marks that differ from one mark in at most r places, the same for all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class CodeBounds:
    """Bounds on the number of marks that differ in at least ``distance`` places."""

    distance: int
    gilbert_varshamov: Fraction
    """So many exist for sure."""
    hamming: int
    singleton: int

    @property
    def at_least(self) -> int:
        """Whole marks that exist for sure."""
        return math.ceil(self.gilbert_varshamov)

    @property
    def at_most(self) -> int:
        """The smaller of both upper bounds."""
        return min(self.hamming, self.singleton)


def ball(sizes: Sequence[int], radius: int) -> int:
    """Number of marks that differ from one mark in at most ``radius`` places, itself included.

    Examples
    --------
    >>> ball([2] * 23, 3)
    2048
    """
    # Coefficients of prod(1 + (q - 1) t): marks that differ in exactly so many places.
    exactly = [1]
    for size in sizes:
        longer = [*exactly, 0]
        for differ, count in enumerate(exactly):
            longer[differ + 1] += count * (size - 1)
        exactly = longer
    return sum(exactly[: radius + 1])


def code_bounds(sizes: Sequence[int], distance: int) -> CodeBounds:
    """Bounds for marks whose places have alphabets of the given sizes.

    Parameters
    ----------
    sizes : sequence of int
        Characters allowed at each place, at least 1.
    distance : int
        1 to the number of places.

    Raises
    ------
    ValueError
        If there are no places or the distance does not fit them.
    """
    if not sizes or min(sizes) < 1:
        raise ValueError(f"places with {list(sizes)} characters; expected one or more at each")
    if not 1 <= distance <= len(sizes):
        raise ValueError(f"distance is {distance}; expected 1 to {len(sizes)}")
    space = math.prod(sizes)
    kept = sorted(sizes)[: len(sizes) - distance + 1]
    return CodeBounds(
        distance=distance,
        gilbert_varshamov=Fraction(space, ball(sizes, distance - 1)),
        hamming=space // ball(sizes, (distance - 1) // 2),
        singleton=math.prod(kept),
    )
