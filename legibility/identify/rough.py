"""Likelihoods of a reading for the animals of a large registry, but for what cannot matter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import LogLikelihood, Reading
from legibility.identify.alignment import row_likelihood, some_row_likelihood
from legibility.identify.channel import ChannelOdds, channel_odds, total_odds
from legibility.identify.emissions import Prices, empty_log_likelihood, one_row
from legibility.identify.layouts import LayoutPrior
from legibility.identify.long_rows import bounds, factors, likeliest, that_matter
from legibility.identify.marktable import LONGEST_PIECE, MarkTable
from legibility.identify.pieces import seen_row
from legibility.identify.short_rows import (
    LARGEST,
    add_products,
    end_of_short,
    event_norm,
    finished,
    needed,
    products,
)
from legibility.identify.views import View, placements, views_of, weighed_rows
from legibility.settings import Settings

LEAST_ANIMALS: Final = 20_000
"""Choice: below this a full pass takes less than a tenth of a second."""
MOST_ROWS: Final = 100_000
"""Choice: of two-row marks, different rows that are computed exactly; with more there is no
shortlist."""
FIRST_SHARE: Final = 1e-3
"""Choice: products whose largest value is above this share of the largest one come first."""
_TINY: Final = np.finfo(np.float32).tiny

_NOT_SHARED: Final = (np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))


@dataclass(frozen=True, slots=True)
class Rough:
    """A registry's likelihoods in single precision."""

    values: NDArray[np.float32]
    """(m,) over ``exp(log_scale)``."""
    log_values: NDArray[np.float32]
    """(m,) their logs."""
    log_scale: float
    short_rows: int = 0
    """So many of the values are of the table's first different rows, one by one."""
    long_rows: NDArray[np.int64] | None = None
    """The rows that the values after these are of; all others were passed over. None: the values
    are of the table's animals."""
    shared: tuple[NDArray[np.int64], NDArray[np.int64]] = _NOT_SHARED
    """(k,) values that are of several animals, and of how many more than one."""
    left_out: float = 0.0
    """Most that is missing from the likelihoods of all animals together."""
    left_out_each: float = 0.0
    """Most that is missing from a value."""
    passed_over: float = 0.0
    """Most that a likelihood may be that was passed over."""

    def rows(self) -> NDArray[np.int64] | None:
        """(m,) different row of the table that each value is of; None: they are of animals."""
        if self.long_rows is None:
            return None
        return np.concatenate([np.arange(self.short_rows), self.long_rows])

    def animals(self, entries: NDArray[np.int64], table: MarkTable) -> NDArray[np.int64]:
        """Ascending animals that some of the values are of."""
        if self.long_rows is None:
            return entries
        rows = entries.copy()
        is_long = entries >= self.short_rows
        rows[is_long] = self.long_rows[entries[is_long] - self.short_rows]
        return table.carriers(rows)


def rough_likelihoods(
    reading: Reading,
    table: MarkTable,
    *,
    settings: Settings,
    share: float,
    layouts: LayoutPrior | None = None,
) -> Rough | None:
    """Likelihood of a reading for every animal of a large registry, in single precision.

    Parameters
    ----------
    reading : Reading
    table : MarkTable
    settings : Settings
        Those of :func:`legibility.identify.likelihood.registry_log_likelihood`.
    share : float
        What may be left out of all animals together, over the likelihood of the likeliest one.
    layouts : LayoutPrior, optional

    Returns
    -------
    Rough or None
        None where a full pass is needed.
    """
    if len(table) < LEAST_ANIMALS:
        return None
    two_rows = bool((table.second_row >= 0).any())
    if two_rows and (table.row_keys.size > MOST_ROWS or bool((table.second_row < 0).any())):
        return None
    prices, odds = Prices(), channel_odds(settings)
    seen = weighed_rows(reading)
    if not seen:
        return None
    if not two_rows:
        views = [
            view
            for weight, rows in seen
            for view in views_of(rows, log_weight=weight, layouts=layouts, prices=prices)
        ]
        return _one_row(views, table, odds, share)
    terms = [term for weight, rows in seen for term in _two_rows(weight, rows, table, odds, prices)]
    log_scale = max(term.log_scale for term in terms)
    total = np.zeros(len(table), dtype=np.float32)
    for term in terms:
        part = np.float32(np.exp(term.log_scale - log_scale))
        if part > 0.0:
            total += part * term.values
    with np.errstate(divide="ignore"):
        return Rough(total, np.log(total), log_scale)


def _one_row(views: Sequence[View], table: MarkTable, odds: ChannelOdds, share: float) -> Rough:
    begin = end_of_short(table)
    shared, more = table.shared_rows()
    most_carriers = 1 + int(more.max(initial=0))
    made, most = [], []
    short = [n for n, _ in table.lengths() if n <= 2 * LONGEST_PIECE]
    long = [n for n, _ in table.lengths() if n > 2 * LONGEST_PIECE]
    for view in views:
        is_short = bool(np.isfinite(view.log_weight[short]).any())
        is_long = bool(np.isfinite(view.log_weight[long]).any())
        if not (is_short or is_long):
            continue
        jumps = view.jumps if is_short else None
        row = seen_row(view.cells, odds=odds, middles=is_long, jumps=jumps)
        if is_short:
            made += products(view.log_weight, row, table, odds=odds)
        if is_long:
            most.append(factors(view, row, table))
    made.sort(key=lambda one: -one.log_size)
    sizes = [one.log_size for one in made[:1]] + [one.log_size for one in most]
    log_scale = max(sizes) - float(np.log(LARGEST))
    values = np.zeros(begin, dtype=np.float32)
    first = [one for one in made if one.log_size > made[0].log_size + np.log(FIRST_SHARE)]
    add_products(first, table, values, log_scale=log_scale)
    best = float(values.max(initial=0.0)) / (1.0 + 2 * LONGEST_PIECE * sum(astuple(odds)))
    exact = _Exact(views, table, odds, log_scale)
    largest = np.zeros(0, dtype=np.float32)
    if most:
        largest = bounds(most, table, swap=odds.swap, log_scale=log_scale)
        best = max(best, float(exact(begin + likeliest(largest)).max()))
    allowed = share * best / (2 * most_carriers)
    rest, left_out, each = needed(made[len(first) :], table, log_scale=log_scale, allowed=allowed)
    add_products(rest, table, values, log_scale=log_scale)
    log_values = finished(values, table, odds=odds)
    long_rows, passed_over = np.zeros(0, dtype=np.int64), 0.0
    if most:
        long_rows, unseen, passed_over = that_matter(largest, allowed)
        long_rows += begin
        found = exact(long_rows)
        values = np.concatenate([values, found.astype(np.float32)])
        with np.errstate(divide="ignore"):
            log_values = np.concatenate([log_values, np.log(found).astype(np.float32)])
        left_out += unseen
        is_there = (shared < begin) | np.isin(shared, long_rows)
        shared, more = shared[is_there], more[is_there]
        places = begin + np.searchsorted(long_rows, shared)
        shared = np.where(shared < begin, shared, places)
    return Rough(
        values,
        log_values,
        log_scale,
        short_rows=begin,
        long_rows=long_rows,
        shared=(shared, more),
        left_out=left_out * most_carriers,
        left_out_each=each,
        passed_over=passed_over,
    )


@dataclass(frozen=True, slots=True)
class _Exact:
    views: Sequence[View]
    table: MarkTable
    odds: ChannelOdds
    log_scale: float

    def __call__(self, rows: NDArray[np.int64]) -> NDArray[np.float64]:
        """(k,) likelihoods of some of the different rows, over the scale."""
        total = np.full(rows.size, -np.inf)
        lengths = self.table.characters[rows]
        for view in self.views:
            weight = view.log_weight[lengths]
            chosen = np.flatnonzero(np.isfinite(weight))
            if chosen.size:
                found = some_row_likelihood(
                    view.cells, self.table, rows[chosen], odds=self.odds, jumps=view.jumps
                )
                total[chosen] = np.logaddexp(total[chosen], weight[chosen] + found.together)
        return np.exp(total - self.log_scale) / event_norm(self.table, rows, odds=self.odds)


@dataclass(frozen=True, slots=True)
class _Term:
    """Likelihoods of one way to see the rows, over ``exp(log_scale)``."""

    values: NDArray[np.float32]
    log_scale: float


def _two_rows(
    weight: float,
    rows: Sequence[LogLikelihood],
    table: MarkTable,
    odds: ChannelOdds,
    prices: Prices,
) -> list[_Term]:
    terms = []
    seen = [row_likelihood(one_row(logp, prices=prices), table, odds=odds) for logp in rows]
    empty = [empty_log_likelihood(logp) for logp in rows]
    ids = (table.first_row, table.second_row)
    row_odds = total_odds(table.characters, table.turnable, table.unequal_pairs, odds=odds)
    norm = _single(row_odds)
    every = norm.take(ids[0])
    every += norm.take(ids[1])
    every += np.float32(1.0)
    scales = [float(max(row.log_intact.max(), row.log_one_event.max())) for row in seen]
    intact = [_single(np.exp(row.log_intact - s)) for row, s in zip(seen, scales, strict=True)]
    event = [_single(np.exp(row.log_one_event - s)) for row, s in zip(seen, scales, strict=True)]
    for place in placements(2, len(rows), prices=prices):
        constant = weight + place.log_weight + sum(empty[row] for row in place.empty)
        if None in place.rows:
            found = 0 if place.rows[1] is None else 1
            row = place.rows[found] or 0
            unseen = _single(1.0 + row_odds)
            values = intact[row].take(ids[found]) * unseen.take(ids[1 - found])
            values += event[row].take(ids[found])
            values /= every
            terms.append(_Term(values, constant + scales[row]))
            continue
        a, b = place.rows[0] or 0, place.rows[1] or 0
        values = (intact[a] + event[a]).take(ids[0]) * intact[b].take(ids[1])
        values += intact[a].take(ids[0]) * event[b].take(ids[1])
        values /= every
        terms.append(_Term(values, constant + scales[a] + scales[b]))
    return terms


def _single(values: NDArray[np.float64]) -> NDArray[np.float32]:
    """In single precision, what is too small for it as 0."""
    result = np.ascontiguousarray(values, dtype=np.float32)
    result[result < _TINY] = 0.0
    return result
