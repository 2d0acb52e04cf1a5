"""How much a registry has to show before a form, a length or a character counts as a rule."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Mapping
from itertools import pairwise
from typing import Final, TypeVar

RAREST: Final = 7
"""Rule: characters never seen count as not in use when even the rarest one in use was seen seven
times. One used as often as that one would stay unseen in one registry of a thousand (e**-7)."""
SLIP_SHARE: Final = 0.02
"""Choice: of what breaks a rule so much at most may be slips of the pen; else it is no rule."""
SLIP_GAP: Final = 10
"""Choice: what is in use is seen ten times as often as any one slip."""
FEW: Final = 100
"""Choice: below so many marks any number of characters that was seen once may be seen again."""
NEW_KINDS: Final = 0.1
"""Choice: the next mark is of a new kind with 0.1 / (seen so far + 0.1)."""
_LOG_NEW: Final = math.log(NEW_KINDS)

_Key = TypeVar("_Key", bound=Hashable)


def least_marks(n: int) -> int:
    """Fewest marks that make a form: 2 % of the first thousand, 0.2 % of the others (choice).

    Examples
    --------
    >>> least_marks(12), least_marks(40), least_marks(400), least_marks(1_000_000)
    (1, 2, 8, 2018)
    """
    floor = 1 if n < 20 else 2 if n < 50 else 3
    return max(floor, math.ceil(SLIP_SHARE * min(n, 1000) + 0.002 * max(n - 1000, 0)))


def in_use(counts: Mapping[_Key, int]) -> tuple[_Key, ...]:
    """What is in use when nothing else is; empty when others may well be used, too.

    Parameters
    ----------
    counts : mapping
        How often each was seen.

    Examples
    --------
    >>> in_use({"HD": 397, "KR": 40, "HO": 3}), in_use({"A": 9, "B": 2})
    (('HD', 'KR'), ())
    """
    ordered = sorted(counts.items(), key=lambda item: -item[1])
    allowance = SLIP_SHARE * sum(counts.values())
    rest = 0
    for kept in range(len(ordered), 0, -1):
        if rest > allowance:
            return ()
        rarest = ordered[kept - 1][1]
        commonest_slip = ordered[kept][1] if kept < len(ordered) else 0
        if rarest >= max(RAREST, SLIP_GAP * commonest_slip):
            return tuple(key for key, _ in ordered[:kept])
        rest += rarest
    return ()


def is_stretch(letters: str) -> bool:
    """Whether three or more letters follow one another but for single gaps, as those of years do.

    Examples
    --------
    >>> is_stretch("GHJKL"), is_stretch("BKX"), is_stretch("AB")
    (True, False, False)
    """
    places = sorted(map(ord, letters))
    return len(places) > 2 and all(b - a <= 2 for a, b in pairwise(places))


def code_length(counts: Counter[_Key], base: Mapping[_Key, float]) -> float:
    """Nats to write down a sequence whose kinds are not known beforehand.

    A Dirichlet process of concentration ``NEW_KINDS``.

    Parameters
    ----------
    counts : Counter
    base : mapping
        Log-probability of each kind when it first appears.
    """
    n = sum(counts.values())
    found = sum(base[key] + math.lgamma(count) for key, count in counts.items())
    return math.lgamma(n + NEW_KINDS) - math.lgamma(NEW_KINDS) - found - len(counts) * _LOG_NEW


def bits_length(zeros: int, ones: int) -> float:
    """Nats to write down yes and no in a sequence (Krichevsky and Trofimov 1981)."""
    half = math.lgamma(0.5)
    both = math.lgamma(zeros + 0.5) + math.lgamma(ones + 0.5) - 2 * half
    return math.lgamma(zeros + ones + 1) - both
