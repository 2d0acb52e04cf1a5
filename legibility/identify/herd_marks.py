"""Marks that an animal of the same herd may carry, learned from the registry.

An animal that is not registered is mostly one of the same herds: its mark has the prefix, letters
and years that theirs have, and a number from a gap of their series or the next one. Two models of
such marks are mixed, each an exact distribution over texts of n characters:

- *series*: marks of one pattern of letters and figures are put in order, and cut where a gap is far
  wider than the others; a mark is drawn from one of these intervals or from what lies next to it;
- *chain*: each character depends on its place and on the one before it (a Markov chain), smoothed
  towards the characters of its place, and these towards all letters or all figures.

How much each counts is fitted on registered marks held out. Marks that are registered themselves
are taken out of the average in :mod:`legibility.identify.unregistered`. Herds that mark the same
way are the third model, the *shape*: any letter or any figure at each place, as often as here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.identify.channel import ChannelOdds
from legibility.identify.emissions import Emissions, emissions
from legibility.identify.layouts import LayoutPrior
from legibility.identify.marktable import MarkTable
from legibility.identify.views import View

Texts = NDArray[np.int64]
"""(k, n) indices of characters."""

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
"""Choice: of a place of a series, how often each character is taken to have been seen already."""
PLACE_COUNT: Final = 10.0
"""Choice: marks that "any letter, any figure" counts as at a place of the chain."""
CHAIN_COUNT: Final = 3.0
"""Choice: marks that the characters of a place count as behind a character of the chain."""
SHAPE_SHARE: Final = 0.15
"""Choice: share of animals that are of another herd that marks the same way."""
STRANGE_SHARE: Final = 0.05
"""Choice: share of characters of a place that may be any."""
HELD_OUT: Final = 2000
"""Choice: most marks on which the two models are weighed."""
EVEN_WEIGHT: Final = 2.0
"""Choice: marks that say beforehand that both models are as good."""
LONGEST_NUMBER: Final = 12
"""Arithmetic: 26**12 is below 2**63; longer marks are in no series."""

_IS_LETTER: Final = np.array([character.isalpha() for character in CHARACTERS])
_NO_EVENT: Final = ChannelOdds(0.0, 0.0, 0.0)
_LETTERS: Final = int(_IS_LETTER.sum())


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


@dataclass(frozen=True, slots=True)
class Chain:
    """Characters of marks of one length, each by the one before."""

    first: NDArray[np.float64]
    """(36,)"""
    steps: NDArray[np.float64]
    """(n - 1, 36, 36): of each character, by the one before."""


@dataclass(frozen=True, slots=True)
class LengthMarks:
    """Marks of one number of characters."""

    share: float
    """Of all marks; all lengths sum to one."""
    series_share: float
    """Of the herds' own of these marks; the others are those of ``chain``."""
    series: tuple[Series, ...]
    chain: Chain
    shape: NDArray[np.float64]
    """(n, 36) characters of marks of other herds by place."""

    def average(self, cells: Emissions) -> float:
        """Likelihood averaged over these marks."""
        value = (1.0 - self.series_share) * chain_average(self.chain, cells)
        if self.series_share > 0.0:
            value += self.series_share * sum(series_average(one, cells) for one in self.series)
        return (1.0 - SHAPE_SHARE) * value + SHAPE_SHARE * shape_average(self.shape, cells)


@dataclass(frozen=True, slots=True)
class HerdMarks:
    """A distribution over marks like those of a registry."""

    by_length: dict[int, LengthMarks]
    animal_share: NDArray[np.float64]
    """(animals,) probability of each registered mark in the layouts it may have, by the herds' own
    marks alone, over the number of its carriers."""
    row_share: NDArray[np.float32]
    """(rows,) the same of the marks that are one row of the table, of all carriers together."""

    def average(self, view: View) -> float:
        """Log of a view's likelihood averaged over these marks; ``-inf`` where it sees none."""
        total = 0.0
        log_best = float(np.max(view.log_weight[list(self.by_length)], initial=-np.inf))
        if not np.isfinite(log_best):
            return -np.inf
        said = emissions(view.cells, odds=_NO_EVENT, jumps=view.jumps)
        for length, marks in self.by_length.items():
            weight = float(np.exp(view.log_weight[length] - log_best)) * marks.share
            if weight <= 0.0 or view.length not in (0, length):
                continue
            total += weight * marks.average(said)
        return log_best + float(np.log(total)) if total > 0.0 else -np.inf


def herd_marks(table: MarkTable, layouts: LayoutPrior) -> HerdMarks:
    """What the marks of a registry say of those of its animals that are not in it.

    Parameters
    ----------
    table : MarkTable
        With at least one animal.
    layouts : LayoutPrior
        How marks stand in the ear.
    """
    by_length: dict[int, LengthMarks] = {}
    shares = np.zeros(len(table))
    texts = _texts(table)
    different = sum(part.texts.shape[0] for part in texts)
    rng = np.random.default_rng(0)
    for part in texts:
        series, chain = _series_of(part.texts), _chain_of(part.texts)
        series_share = _series_share(part.texts, rng) if series else 0.0
        share = part.texts.shape[0] / different
        by_length[part.texts.shape[1]] = LengthMarks(
            share, series_share, series, chain, _shape_of(part.texts)
        )
        own = (1.0 - series_share) * chain_probability(chain, part.texts)
        own += series_share * _series_probability(series, part.texts)
        share *= 1.0 - SHAPE_SHARE
        # A mark whose rows are open is taken out in every layout: beside it the same characters
        # with a row break take nothing more.
        is_open = table.second_row[part.animals] < 0
        open_ones = np.bincount(part.places[is_open], minlength=part.texts.shape[0])[part.places]
        carriers = np.where(open_ones > 0, open_ones, part.carriers[part.places])
        counts = is_open | (open_ones == 0)
        shares[part.animals] = counts * share * own[part.places] / carriers
    one_row = table.second_row < 0
    first = table.characters[table.first_row].astype(np.int64)
    second = table.characters[table.second_row[~one_row]]
    shares[~one_row] *= layouts.probability[first[~one_row] + second, first[~one_row]]
    rows = np.bincount(
        table.first_row[one_row], weights=shares[one_row], minlength=table.row_keys.size
    )
    return HerdMarks(by_length, shares, rows.astype(np.float32))


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
        end = np.full(count, N_CHARACTERS)
        same = (first == last)[:, None]
        freed = step(low, place, first + 1, end) + step(high, place, np.zeros_like(last), last)
        freed += ~same * step(both, place, np.minimum(first + 1, last), last)
        to_low = step(low, place, first, first + 1) + ~same * step(both, place, first, first + 1)
        to_high = step(high, place, last, last + 1) + ~same * step(both, place, last, last + 1)
        both = same * step(both, place, first, first + 1)
        free = step(free, place, np.zeros(1, dtype=np.int64), end[:1])
        free = free + freed.sum(axis=0, keepdims=True)
        low, high = to_low, to_high
    return float((both + low + high).sum(axis=0) @ cells.last + free[0] @ cells.last)


def chain_average(chain: Chain, cells: Emissions) -> float:
    """Likelihood averaged over the marks of a chain."""
    states = np.tile(cells.first, (N_CHARACTERS, 1)) * chain.first[:, None]
    states = _advance(states, cells)
    for place, step in enumerate(chain.steps, start=1):
        states = _advance(step.T @ (states @ cells.gap(place)), cells)
    return float(states.sum(axis=0) @ cells.last)


def shape_average(shape: NDArray[np.float64], cells: Emissions) -> float:
    """Likelihood averaged over marks whose characters are drawn independently."""
    states = cells.first
    for place, seen in enumerate(shape @ cells.seen):
        ahead = states @ cells.gap(place) if place else states
        states = ahead * cells.missed
        states[1:] += ahead[:-1] * seen
    return float(states @ cells.last)


def _advance(states: NDArray[np.float64], cells: Emissions) -> NDArray[np.float64]:
    """(36, states) after the character of each line."""
    after = states * cells.missed
    after[:, 1:] += states[:, :-1] * cells.seen
    return np.asarray(after)


def chain_probability(chain: Chain, texts: Texts) -> NDArray[np.float64]:
    """(k,) probability of marks by a chain."""
    result = chain.first[texts[:, 0]]
    for place, step in enumerate(chain.steps):
        result = result * step[texts[:, place], texts[:, place + 1]]
    return np.asarray(result)


@dataclass(frozen=True, slots=True)
class _Texts:
    """Different marks of one number of characters, whatever their rows, and who carries them."""

    texts: Texts
    carriers: NDArray[np.int64]
    """(k,) how many."""
    animals: NDArray[np.int64]
    """(m,) animals that carry one of them."""
    places: NDArray[np.int64]
    """(m,) which one."""


def _texts(table: MarkTable) -> list[_Texts]:
    lengths = table.characters.astype(np.int64)
    second = np.where(table.second_row >= 0, lengths[table.second_row], 0)
    total = lengths[table.first_row] + second
    found = []
    for n in np.unique(total):
        animals = np.flatnonzero(total == n)
        text = np.zeros((animals.size, int(n)), dtype=np.uint8)
        for first in np.unique(lengths[table.first_row[animals]]):
            rows = np.flatnonzero(lengths[table.first_row[animals]] == first)
            own = animals[rows]
            text[rows, :first] = table.row_characters(table.first_row[own], int(first))
            if first < n:
                text[rows, first:] = table.row_characters(table.second_row[own], int(n - first))
        keys = np.ascontiguousarray(text).view(f"V{int(n)}").ravel()
        _, index, places, counts = np.unique(
            keys, return_index=True, return_inverse=True, return_counts=True
        )
        found.append(_Texts(text[index].astype(np.int64), counts, animals, places.ravel()))
    return found


def _series_share(texts: Texts, rng: np.random.Generator) -> float:
    """How much the series count, by marks held out (expectation and maximisation)."""
    count = texts.shape[0]
    if texts.shape[1] > LONGEST_NUMBER:
        return 0.0
    held = min(count // 2, HELD_OUT)
    if held == 0:
        return 0.5
    order = rng.permutation(count)
    out, kept = texts[np.sort(order[:held])], texts[np.sort(order[held:])]
    by_series = _series_probability(_series_of(kept), out)
    by_chain = chain_probability(_chain_of(kept), out)
    share = 0.5
    for _ in range(50):
        mine = share * by_series
        share = float((mine / (mine + (1.0 - share) * by_chain)).sum())
        share = (share + EVEN_WEIGHT / 2) / (held + EVEN_WEIGHT)
    return share


def _shape_of(texts: Texts) -> NDArray[np.float64]:
    """(n, 36) letters and figures by place as often as there, each alike."""
    letters = _IS_LETTER[texts].mean(axis=0)[:, None]
    kinds = np.where(_IS_LETTER, letters / _LETTERS, (1 - letters) / (N_CHARACTERS - _LETTERS))
    return np.asarray((1.0 - STRANGE_SHARE) * kinds + STRANGE_SHARE / N_CHARACTERS)


def _chain_of(texts: Texts) -> Chain:
    count, places = texts.shape
    own = [
        (np.bincount(column, minlength=N_CHARACTERS) + PLACE_COUNT * kind) / (count + PLACE_COUNT)
        for column, kind in zip(texts.T, _shape_of(texts), strict=True)
    ]
    steps = np.empty((places - 1, N_CHARACTERS, N_CHARACTERS))
    for place in range(1, places):
        pairs = np.bincount(
            texts[:, place - 1] * N_CHARACTERS + texts[:, place], minlength=N_CHARACTERS**2
        ).reshape(N_CHARACTERS, N_CHARACTERS)
        both = pairs + CHAIN_COUNT * own[place]
        steps[place - 1] = both / both.sum(axis=1, keepdims=True)
    return Chain(own[0], steps)


@dataclass(frozen=True, slots=True)
class _Pattern:
    """Marks of one pattern of letters and figures, as numbers in alphabetical order."""

    is_letter: NDArray[np.bool_]
    """(n,)"""

    @property
    def radix(self) -> NDArray[np.int64]:
        return np.where(self.is_letter, _LETTERS, N_CHARACTERS - _LETTERS).astype(np.int64)

    @property
    def base(self) -> NDArray[np.int64]:
        """(n,) index of the first character of each place's class."""
        return np.where(self.is_letter, 0, _LETTERS).astype(np.int64)

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


def _series_of(texts: Texts) -> tuple[Series, ...]:
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
    letters = _IS_LETTER[texts]
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
        weights[place] = np.where(letter == _IS_LETTER, seen, 0.0)
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


def _series_probability(series: Sequence[Series], texts: Texts) -> NDArray[np.float64]:
    """(k,) probability of marks by the intervals they lie in."""
    result = np.zeros(texts.shape[0])
    patterns = {tuple(pattern.is_letter): members for pattern, members in _patterns(texts)}
    for one in series:
        letters = _IS_LETTER[one.low[0]]
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
