"""In which rows a mark stands in the ear when the list does not say so.

A mark written ``AB/123`` says where its rows break. One written ``AB123`` says nothing of rows: it
may stand in one row, or break after any of its characters. :class:`LayoutPrior` is what is known
of that beforehand, by the number of characters.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import LONGEST_ROW
from legibility.marks.rules import Rules
from legibility.marks.space import layout_shares

LONGEST_MARK: Final = 2 * LONGEST_ROW
ONE_ROW_SHARE: Final = 0.5
"""Choice: where nothing is known, one row and two rows are equally likely, and then every place
for the break."""
PRIOR_STRENGTH: Final = 4.0
"""Choice: what is assumed beforehand counts as much as so many marks seen."""
LEAST_LEARNED: Final = 10
"""Choice: marks of one length seen in the ear from which their layout is learned."""


@dataclass(frozen=True)
class LayoutPrior:
    """Probability of each layout of a mark that is written without a row break."""

    probability: NDArray[np.float64]
    """(LONGEST_MARK + 1, LONGEST_MARK + 1): of marks of n characters (first axis), that the first
    row ends after k of them (second axis); k = 0: that there is one row. Each n > 0 sums to one."""
    basis: str
    """Where it is from, in words."""

    @cached_property
    def one_row(self) -> NDArray[np.float64]:
        """(LONGEST_MARK + 1,) log-probability of one row, by the number of characters."""
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(self.probability[:, 0]))

    @cached_property
    def even_break(self) -> NDArray[np.float64]:
        """(LONGEST_MARK + 1,) log-probability of each single break where all breaks of marks of so
        many characters are equally likely; ``-inf`` elsewhere."""
        result = np.full(LONGEST_MARK + 1, -np.inf)
        for n in range(2, LONGEST_MARK + 1):
            breaks = self.probability[n, 1:n]
            if breaks[0] > 0 and np.ptp(breaks) < 1e-12 * breaks[0]:
                result[n] = float(np.log(breaks[0]))
        return result

    @cached_property
    def uneven(self) -> tuple[int, ...]:
        """Numbers of characters whose breaks are not all equally likely."""
        return tuple(
            n
            for n in range(2, LONGEST_MARK + 1)
            if not np.isfinite(self.even_break[n]) and self.probability[n, 1:n].any()
        )


def even_layouts(rules: Rules | None = None) -> LayoutPrior:
    """Every layout that the rules allow: one row or two evenly, then every break evenly."""
    allowed = _allowed(rules)
    probability = np.zeros((LONGEST_MARK + 1, LONGEST_MARK + 1))
    for n in range(1, LONGEST_MARK + 1):
        breaks = np.flatnonzero(allowed[n, 1:n]) + 1
        one = bool(allowed[n, 0])
        share = ONE_ROW_SHARE if one and breaks.size else float(one)
        probability[n, 0] = share
        if breaks.size:
            probability[n, breaks] = (1.0 - share) / breaks.size
        elif not one:
            probability[n] = _anywhere(n)
    return LayoutPrior(probability, "any row break is as likely as any other")


def learned_layouts(
    counts: Mapping[tuple[int, int], float], *, basis: str, rules: Rules | None = None
) -> LayoutPrior:
    """Layouts as often as they were seen in the herd.

    Parameters
    ----------
    counts : mapping of (characters, characters of the first row) to float
        How many marks were seen so; 0 in the second place: in one row. Lengths of which fewer than
        ``LEAST_LEARNED`` were seen stay as :func:`even_layouts` has them.
    basis : str
    rules : Rules, optional
    """
    before = even_layouts(rules)
    probability = before.probability.copy()
    seen = np.zeros_like(probability)
    for (n, k), count in counts.items():
        seen[n, k] += count
    learned = seen.sum(axis=1) >= LEAST_LEARNED
    both = seen[learned] + PRIOR_STRENGTH * probability[learned]
    probability[learned] = both / both.sum(axis=1, keepdims=True)
    return LayoutPrior(probability, basis if learned.any() else before.basis)


def _allowed(rules: Rules | None) -> NDArray[np.bool_]:
    """(LONGEST_MARK + 1, LONGEST_MARK + 1) layouts by the numbers of characters of their rows."""
    allowed = np.zeros((LONGEST_MARK + 1, LONGEST_MARK + 1), dtype=bool)
    if rules is not None and rules.forms:
        for layout, _ in layout_shares(rules):
            first, second = (*layout.lengths, 0)[:2]
            allowed[first + second, first if second else 0] = True
        return allowed
    for n in range(1, LONGEST_MARK + 1):
        allowed[n] = _anywhere(n, rules) > 0
    return allowed


def _anywhere(n: int, rules: Rules | None = None) -> NDArray[np.float64]:
    """(LONGEST_MARK + 1,) evenly over all layouts of n characters; zeros where there are none."""
    shortest, longest, most = 1, LONGEST_ROW, 2
    if rules is not None:
        shortest, longest, most = rules.shortest_row, rules.longest_row, rules.max_rows
    ends = np.arange(LONGEST_MARK + 1)
    possible = (ends >= max(shortest, n - longest)) & (ends <= min(n - shortest, longest))
    possible &= most == 2
    possible[0] = shortest <= n <= longest
    return np.asarray(possible / max(1, int(np.count_nonzero(possible))), dtype=np.float64)
