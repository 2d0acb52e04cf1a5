"""The few animals that matter of a large registry, exactly; all others as one sum.

A first pass in single precision gives every animal's likelihood to about 1e-5 of itself: products
of the states of two half rows, for those states alone that can matter. The most likely animals are
then computed anew, exactly. Of all others only the sum of their likelihoods is used, which single
precision gives closely enough: probabilities differ from those of a full pass by less than 1e-6.
Where that, or the order of the candidates, or the candidate set, is not sure, there is no
shortlist, and the full pass is made.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import LogLikelihood, Reading
from legibility.identify.alignment import (
    Prices,
    cell_ratios,
    empty_log_likelihood,
    half_rows,
    row_likelihood,
)
from legibility.identify.channel import ChannelOdds, channel_odds, total_odds
from legibility.identify.likelihood import (
    hypothesis_weights,
    placements,
    registry_log_likelihood,
    row_logp,
)
from legibility.identify.marktable import MarkTable
from legibility.settings import Settings

LEAST_ANIMALS: Final = 20_000
"""Choice: below this a full pass takes less than a tenth of a second."""
MOST_ROWS: Final = 100_000
"""Choice: of two-row marks, different rows that are computed exactly; with more there is no
shortlist."""
KEPT: Final = 512
"""Choice: animals computed exactly; candidate sets of more than 30 are not listed anyway."""
KEPT_MORE: Final = 16_384
"""Choice: likewise, where the first ones do not hold enough of the probability."""
NEGLIGIBLE: Final = 1e-15
"""Choice: states whose product is below this share of the largest one are left out."""
TOLERANCE: Final = 1e-7
"""Choice: most of the sum that may be left out."""
BLOCK: Final = 65_536
"""Choice: rows at a time, so that their numbers fit the processor's cache."""
THREADS: Final = 2
"""Choice: blocks at work at the same time; more are held up by memory."""
_TINY: Final = np.finfo(np.float32).tiny


@dataclass(frozen=True, slots=True)
class Rough:
    """A registry's likelihoods in single precision."""

    values: NDArray[np.float32]
    """(n,) over ``exp(log_scale)``."""
    log_scale: float
    left_out: float
    """Most that may be missing from each value."""


@dataclass(frozen=True, slots=True)
class Shortlist:
    """A registry's likelihoods, most of them summed up."""

    animals: NDArray[np.int64]
    """(k,) ascending indices of the most likely animals."""
    log_likelihood: NDArray[np.float64]
    """(k,) exact."""
    others: NDArray[np.float32]
    """(n,) logs of approximate likelihoods, less ``log_scale``; ``-inf`` for ``animals``."""
    log_scale: float
    left_out: float

    @property
    def count(self) -> int:
        """Animals that are summed up."""
        return int(self.others.size - self.animals.size)

    def log_sum(self, exponent: float) -> float:
        """Log of the sum of the others' likelihoods raised to a power."""
        raised = np.multiply(self.others, np.float32(exponent))
        total = float(np.exp(raised, out=raised).sum(dtype=np.float64))
        return float(np.log(max(total, 1e-300))) + exponent * self.log_scale

    def is_close(self, exponent: float) -> bool:
        """Whether what was left out cannot matter."""
        missing = self.count * self.left_out**exponent
        best = float(np.max(self.log_likelihood)) - self.log_scale
        return bool(missing <= TOLERANCE * float(np.exp(exponent * best)))


def rough_likelihoods(reading: Reading, table: MarkTable, *, settings: Settings) -> Rough | None:
    """Likelihood of a reading for every animal of a large registry, in single precision.

    Parameters
    ----------
    reading : Reading
    table : MarkTable
    settings : Settings
        Those of :func:`legibility.identify.likelihood.registry_log_likelihood`.

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
    make = _two_rows if two_rows else _one_row
    terms = [
        term
        for weight, rows in zip(
            hypothesis_weights(reading.hypotheses), row_logp(reading), strict=True
        )
        if rows and np.isfinite(weight)
        for term in make(float(weight), rows, table, odds, prices)
    ]
    if not terms:
        return None
    log_scale = max(term.log_scale for term in terms)
    shares = [float(np.exp(term.log_scale - log_scale)) for term in terms]
    total = np.float32(shares[0]) * terms[0].values
    for share, term in zip(shares[1:], terms[1:], strict=True):
        if share > 0.0:
            total += np.float32(share) * term.values
    left_out = sum(share * term.left_out for share, term in zip(shares, terms, strict=True))
    return Rough(total, log_scale, left_out)


def shortlist(
    rough: Rough, reading: Reading, table: MarkTable, *, settings: Settings, kept: int = KEPT
) -> Shortlist | None:
    """The most likely animals of a registry; None where their order is lost in the rough pass."""
    kept = min(kept, len(table) // 2)
    least = np.partition(rough.values, rough.values.size - kept)[rough.values.size - kept]
    best = np.flatnonzero(rough.values >= least)
    if float(least) <= _TINY * 1e3 or best.size > 2 * kept:
        return None
    exact = registry_log_likelihood(reading, table, settings=settings, animals=best)
    with np.errstate(divide="ignore"):
        others = np.log(rough.values)
    others[best] = -np.inf
    return Shortlist(best, exact, others, rough.log_scale, rough.left_out)


@dataclass(frozen=True, slots=True)
class _Term:
    """Likelihoods of one way to see the rows, over ``exp(log_scale)``."""

    values: NDArray[np.float32]
    log_scale: float
    left_out: float


def _one_row(
    weight: float,
    rows: Sequence[LogLikelihood],
    table: MarkTable,
    odds: ChannelOdds,
    prices: Prices,
) -> list[_Term]:
    terms = []
    empty = [empty_log_likelihood(logp) for logp in rows]
    for place in placements(1, len(rows), prices=prices):
        values, scale, left_out = _row_values(rows[place.rows[0] or 0], table, odds, prices)
        constant = weight + place.log_weight + sum(empty[row] for row in place.empty)
        terms.append(_Term(values.take(table.first_row), constant + scale, left_out))
    return terms


def _row_values(
    logp: LogLikelihood, table: MarkTable, odds: ChannelOdds, prices: Prices
) -> tuple[NDArray[np.float32], float, float]:
    """(r,) likelihoods of the different rows, their log scale, and what may be missing."""
    halves = half_rows(cell_ratios(logp), table, odds=odds, prices=prices)
    left_used, right_used = _used(table)
    pairs, largest = [], []
    for a, b, cut in (
        (halves.left + halves.left_event, halves.right, False),
        (halves.left, halves.right_event, False),
        (odds.swap * halves.left, halves.right, True),
    ):
        tops = _most(a, left_used) * _most(b, right_used)
        pairs += [(a[:, k], b[:, k], cut) for k in range(tops.size)]
        largest += [float(top) for top in tops]
    scale = max(largest)
    chosen = [
        (_single(a / a.max()), _single(b * (a.max() / scale)), cut)
        for (a, b, cut), size in zip(pairs, largest, strict=True)
        if size > NEGLIGIBLE * scale
    ]
    left_out = sum(size for size in largest if size <= NEGLIGIBLE * scale) / scale
    values = np.zeros(table.row_keys.size, dtype=np.float32)

    def work(start: int) -> None:
        part = slice(start, start + BLOCK)
        straight = (table.left_node[part].astype(np.intp), table.right_node[part].astype(np.intp))
        swapped = (
            table.swapped_left[part].astype(np.intp),
            table.swapped_right[part].astype(np.intp),
        )
        sums = {cut: np.zeros(straight[0].size, dtype=np.float32) for cut in (False, True)}
        for a, b, cut in chosen:
            left, right = swapped if cut else straight
            product = a.take(left, mode="clip")  # All are inside; this skips the check.
            product *= b.take(right, mode="clip")
            sums[cut] += product
        sums[True] *= table.swap_at_cut[part]
        values[part] = (sums[False] + sums[True]) / _norm(table, part, odds)

    with ThreadPoolExecutor(THREADS) as threads:
        list(threads.map(work, range(0, values.size, BLOCK)))
    return values, float(np.log(scale)), left_out


def _used(table: MarkTable) -> tuple[list[slice], list[slice]]:
    """Nodes of both trees at which rows are cut, level by level."""
    lengths = np.flatnonzero(np.bincount(table.characters))
    used = []
    for tree, halves in ((table.left, lengths // 2), (table.right, lengths - lengths // 2)):
        starts = tree.level_start
        used.append([slice(starts[level], starts[level + 1]) for level in np.unique(halves)])
    return used[0], used[1]


def _most(states: NDArray[np.float64], used: Sequence[slice]) -> NDArray[np.float64]:
    """(cells + 1,) largest weight of each state."""
    return np.asarray(np.max([states[part].max(axis=0) for part in used], axis=0))


def _norm(table: MarkTable, part: slice, odds: ChannelOdds) -> NDArray[np.float32]:
    """One more than the odds of all events of some rows."""
    norm = table.characters[part] * np.float32(odds.wrong_die)
    norm += table.turnable[part] * np.float32(odds.turned_die)
    norm += table.unequal_pairs[part] * np.float32(odds.swap)
    return np.asarray(norm + np.float32(1.0), dtype=np.float32)


def _two_rows(
    weight: float,
    rows: Sequence[LogLikelihood],
    table: MarkTable,
    odds: ChannelOdds,
    prices: Prices,
) -> list[_Term]:
    terms = []
    seen = [row_likelihood(logp, table, odds=odds, prices=prices) for logp in rows]
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
        constant = weight + place.log_weight + sum(seen[row].log_empty for row in place.empty)
        if None in place.rows:
            found = 0 if place.rows[1] is None else 1
            row = place.rows[found] or 0
            unseen = _single(1.0 + row_odds)
            values = intact[row].take(ids[found]) * unseen.take(ids[1 - found])
            values += event[row].take(ids[found])
            values /= every
            terms.append(_Term(values, constant + scales[row], 0.0))
            continue
        a, b = place.rows[0] or 0, place.rows[1] or 0
        values = (intact[a] + event[a]).take(ids[0]) * intact[b].take(ids[1])
        values += intact[a].take(ids[0]) * event[b].take(ids[1])
        values /= every
        terms.append(_Term(values, constant + scales[a] + scales[b], 0.0))
    return terms


def _single(values: NDArray[np.float64]) -> NDArray[np.float32]:
    """In single precision, what is too small for it as 0."""
    result = np.ascontiguousarray(values, dtype=np.float32)
    result[result < _TINY] = 0.0
    return result
