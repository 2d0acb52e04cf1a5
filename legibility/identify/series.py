"""Series of marks: intervals in alphabetical order, with what lies next to them.

Marks of one pattern of letters and figures are put in order, and cut where a gap is far wider than
the others. A mark is drawn from one of these intervals, or from what follows or precedes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.identify.emissions import Emissions
from legibility.identify.mark_texts import IS_LETTER, LETTERS, Texts

WIDE_GAP: Final = 15.0
"""Choice: a gap so many times as wide as three quarters of the gaps ends a series."""
NEXT: Final = ((0.1, 10, 0.2), (1.0, 100, 0.1))
"""Choice: share of its width, least number of marks, and share of the animals, of the intervals
that follow a series: its next numbers, and those after them."""
BEFORE: Final = (0.1, 10, 0.1)
"""Choice: the same of the interval ahead of it."""
LEAST_PATTERN: Final = 0.02
"""Choice: patterns of fewer of the marks of a length are in no series."""
MOST_PATTERNS: Final = 12
"""Choice: patterns of one length that have series; marks of letters and figures at random have
hundreds, which no series tells anything of."""
MOST_SERIES: Final = 200
"""Choice: only the widest gaps end a series where there would be more."""
EVEN_COUNTS: Final = 2.0
"""Choice: how often each character of a place is taken to have been seen already."""
LONGEST_NUMBER: Final = 12
"""Arithmetic: 26**12 is below 2**63; longer marks are in no series."""


@dataclass(frozen=True, slots=True)
class Series:
    """Intervals of marks of one pattern of letters and figures, in alphabetical order."""

    weights: NDArray[np.float64]
    """(n, 36) how often each character of the class is at each place; each sums to one."""
    low: NDArray[np.int64]
    """(k, n) first mark of each interval."""
    high: NDArray[np.int64]
    """(k, n) last mark."""
    share: NDArray[np.float64]
    """(k,) probability of the interval, over that of its marks by ``weights``."""


def series_average(series: Series, cells: Emissions) -> float:
    """Likelihood averaged over the marks of all intervals of a pattern."""
    count, places = series.low.shape
    states = cells.missed.size
    seen = series.weights[:, :, None] * cells.seen
    # Sums over the characters ahead of each one, so that a range is one difference.
    ahead = np.concatenate([np.zeros((places, 1, states - 1)), np.cumsum(seen, axis=1)], axis=1)
    mass = np.concatenate([np.zeros((places, 1)), np.cumsum(series.weights, axis=1)], axis=1)
    both = np.zeros((count, states))
    both[:, 0] = series.share
    low, high, free = np.zeros_like(both), np.zeros_like(both), np.zeros((1, states))

    def step(
        now: NDArray[np.float64], place: int, start: NDArray[np.int64], stop: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """States after any character from ``start`` up to ``stop``."""
        share = (mass[place, stop] - mass[place, start])[:, None]
        after = now * share * cells.missed
        after[:, 1:] += now[:, :-1] * (ahead[place, stop] - ahead[place, start])
        return np.asarray(after)

    for place in range(places):
        gap = cells.gap(place)
        both, low, high, free = both @ gap, low @ gap, high @ gap, free @ gap
        first, last = series.low[:, place], series.high[:, place]
        apart = (first < last)[:, None] * both
        after_low, none, end = first + 1, np.zeros_like(first), np.full_like(first, N_CHARACTERS)
        between = step(
            np.vstack([low, high, apart]),
            place,
            np.concatenate([after_low, none, np.minimum(after_low, last)]),
            np.concatenate([end, last, last]),
        )
        free = step(free, place, none[:1], end[:1]) + between.sum(axis=0)
        ends = np.concatenate([first, last, first])
        now = np.vstack([low + apart, high + apart, both - apart])
        low, high, both = np.split(step(now, place, ends, ends + 1), 3)
    return float((both + low + high).sum(axis=0) @ cells.last + free[0] @ cells.last)


@dataclass(frozen=True, slots=True)
class _Pattern:
    """Marks of one pattern of letters and figures, as numbers in alphabetical order."""

    is_letter: NDArray[np.bool_]
    """(n,)"""

    @property
    def radix(self) -> NDArray[np.int64]:
        return np.where(self.is_letter, LETTERS, N_CHARACTERS - LETTERS).astype(np.int64)

    @property
    def base(self) -> NDArray[np.int64]:
        """(n,) index of the first character of each place's class."""
        return np.where(self.is_letter, 0, LETTERS).astype(np.int64)

    def numbers(self, texts: Texts) -> NDArray[np.int64]:
        number = np.zeros(texts.shape[0], dtype=np.int64)
        for place, radix in enumerate(self.radix):
            number = number * radix + texts[:, place] - self.base[place]
        return number

    def texts(self, numbers: NDArray[np.int64]) -> Texts:
        result = np.empty((numbers.size, self.radix.size), dtype=np.int64)
        rest = numbers.copy()
        for place in range(self.radix.size - 1, -1, -1):
            rest, digit = np.divmod(rest, self.radix[place])
            result[:, place] = digit + self.base[place]
        return result

    @property
    def size(self) -> int:
        return int(np.prod(self.radix))


def series_of(texts: Texts) -> tuple[Series, ...]:
    count, places = texts.shape
    if places > LONGEST_NUMBER:
        return ()
    usual = sorted(_patterns(texts), key=lambda one: -one[1].size)[:MOST_PATTERNS]
    usual = [one for one in usual if one[1].size >= LEAST_PATTERN * count]
    count = sum(members.size for _, members in usual)
    result = []
    for pattern, members in usual:
        numbers = np.sort(pattern.numbers(texts[members]))
        low, high, share = _intervals(numbers, pattern.size)
        share = share * members.size / count
        weights = _place_weights(texts[members], pattern)
        lows, highs = pattern.texts(low), pattern.texts(high)
        result.append(Series(weights, lows, highs, share / _mass(weights, lows, highs)))
    return tuple(result)


def _patterns(texts: Texts) -> list[tuple[_Pattern, NDArray[np.int64]]]:
    letters = IS_LETTER[texts]
    codes = letters @ (1 << np.arange(texts.shape[1], dtype=np.int64))
    return [
        (_Pattern(letters[members[0]]), members)
        for members in (np.flatnonzero(codes == code) for code in np.unique(codes))
    ]


def _intervals(
    numbers: NDArray[np.int64], size: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """First and last number, and share, of every interval of the series of sorted numbers."""
    gaps = np.diff(numbers)
    cuts = np.zeros(0, dtype=np.int64)
    if gaps.size:
        widest = WIDE_GAP * (1.0 + float(np.quantile(gaps, 0.75)))
        cuts = np.flatnonzero(gaps > widest)
        if cuts.size >= MOST_SERIES:
            cuts = np.sort(cuts[np.argsort(-gaps[cuts], kind="stable")[: MOST_SERIES - 1]])
    first = numbers[np.concatenate([[0], cuts + 1])]
    last = numbers[np.concatenate([cuts, [numbers.size - 1]])]
    animals = np.diff(np.concatenate([[0], cuts + 1, [numbers.size]])) / numbers.size
    width = last - first + 1
    lows, highs, shares = [first], [last], [np.zeros(first.size)]
    rest = np.ones(first.size)

    def beside(low: NDArray[np.int64], high: NDArray[np.int64], share: float) -> None:
        low, high = np.maximum(low, 0), np.minimum(high, size - 1)
        there = low <= high
        rest[there] -= share
        lows.append(low[there])
        highs.append(high[there])
        shares.append(animals[there] * share)

    for part, least, share in NEXT:
        beside(last + 1, last + np.maximum(least, (part * width).astype(np.int64)), share)
    part, least, share = BEFORE
    beside(first - np.maximum(least, (part * width).astype(np.int64)), first - 1, share)
    shares[0] = animals * rest
    return np.concatenate(lows), np.concatenate(highs), np.concatenate(shares)


def _place_weights(texts: Texts, pattern: _Pattern) -> NDArray[np.float64]:
    weights = np.zeros((texts.shape[1], N_CHARACTERS))
    for place, letter in enumerate(pattern.is_letter):
        seen = np.bincount(texts[:, place], minlength=N_CHARACTERS) + EVEN_COUNTS
        weights[place] = np.where(letter == IS_LETTER, seen, 0.0)
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def _mass(weights: NDArray[np.float64], low: Texts, high: Texts) -> NDArray[np.float64]:
    """(k,) probability of the marks of each interval by the weights of the places."""
    ahead = np.concatenate([np.zeros((weights.shape[0], 1)), np.cumsum(weights, axis=1)], axis=1)
    both, below, above = np.ones(low.shape[0]), np.zeros(low.shape[0]), np.zeros(low.shape[0])
    free = np.zeros(low.shape[0])
    for place in range(weights.shape[0]):
        first, last = low[:, place], high[:, place]
        w, same = weights[place], first == last
        free = free + below * (1.0 - ahead[place, first + 1]) + above * ahead[place, last]
        between = ahead[place, last] - ahead[place, np.minimum(first + 1, last)]
        free = free + np.where(same, 0.0, both * between)
        below = below * w[first] + np.where(same, 0.0, both * w[first])
        above = above * w[last] + np.where(same, 0.0, both * w[last])
        both = np.where(same, both * w[first], 0.0)
    return np.asarray(free + below + above + both)


def series_probability(series: Sequence[Series], texts: Texts) -> NDArray[np.float64]:
    """(k,) probability of marks by the intervals they lie in."""
    result = np.zeros(texts.shape[0])
    patterns = {tuple(pattern.is_letter): members for pattern, members in _patterns(texts)}
    for one in series:
        letters = IS_LETTER[one.low[0]]
        members = patterns.get(tuple(letters))
        if members is None:
            continue
        pattern = _Pattern(letters)
        numbers = pattern.numbers(texts[members])
        order = np.argsort(numbers, kind="stable")
        starts = np.searchsorted(numbers[order], pattern.numbers(one.low))
        stops = np.searchsorted(numbers[order], pattern.numbers(one.high), side="right")
        change = np.zeros(members.size + 1)
        np.add.at(change, starts, one.share)
        np.add.at(change, stops, -one.share)
        density = np.maximum(np.cumsum(change)[:-1], 0.0)
        own = np.ones(members.size)
        for place, weights in enumerate(one.weights):
            own *= weights[texts[members, place]]
        result[members[order]] += density * own[order]
    return result
