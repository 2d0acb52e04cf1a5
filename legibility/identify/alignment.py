"""Likelihood of one seen row of cells for every row of characters of a registry.

A row of characters makes a row of cells from left to right: before each character and at the end
come places cut out although nothing was pressed there, k of them with probability
``(1 - q) q**k``; each character then gives a cell, or with probability d none. The likelihood sums
over all ways to do so. All likelihoods are ratios to a cell of which nothing is known (a cell's
log-probability plus log 37).

States are the number of cells used so far, once with nothing gone wrong at application and once
with exactly one event of the application channel, weighted by its odds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS, N_CLASSES, NO_CHARACTER
from legibility.containers import LogLikelihood
from legibility.identify.channel import IS_TURNABLE, TURNED_INDEX, ChannelOdds
from legibility.identify.marktable import MarkTable, PrefixTree

CELL_FLOOR: Final = -30.0
"""Choice: no cell speaks against a character with more than exp(-30)."""
ROW_FLOOR: Final = -600.0
"""Arithmetic: a whole row above exp(-600), so that products stay above the smallest double."""
CHUNK: Final = 4096
"""Choice: rows worked on at a time, so that their states fit the processor's cache."""


@dataclass(frozen=True, slots=True)
class Prices:
    """Probabilities that the rows found are not the rows of the mark."""

    extra_cell: float = 0.02
    """Choice, no source: one more empty place cut out, before any character or at the end."""
    missed_cell: float = 0.02
    """Choice, no source: a character that got no cell; gaps in a row get one as a rule."""
    extra_row: float = 0.02
    """Choice, no source: one more row found where there is none."""
    missed_row: float = 0.02
    """Choice, no source: one row of two not found."""
    crossed_rows: float = 0.002
    """Choice, no source: two rows written in the record in the other order."""


@dataclass(frozen=True, slots=True)
class RowLikelihood:
    """What one seen row says of each different row of a registry."""

    log_intact: NDArray[np.float64]
    """(r,) log-likelihood with nothing gone wrong at application."""
    log_one_event: NDArray[np.float64]
    """(r,) log of the odds-weighted sum over single events; -inf where there are none."""
    log_empty: float
    """Log-likelihood of the cells when none of them holds a character."""


def cell_ratios(logp: LogLikelihood) -> NDArray[np.float64]:
    """Likelihood ratios of a row's cells to a cell of which nothing is known.

    Parameters
    ----------
    logp : ndarray of float64, (cells, 37)
        Log-probabilities under equal priors; ``-inf`` allowed.

    Returns
    -------
    ndarray of float64, (cells, 37)
        Positive and finite.
    """
    floor = max(CELL_FLOOR, ROW_FLOOR / max(1, logp.shape[0]))
    return np.asarray(np.exp(np.maximum(logp, floor)) * N_CLASSES, dtype=np.float64)


def gap_matrix(ratios: NDArray[np.float64], *, extra_cell: float) -> NDArray[np.float64]:
    """(cells + 1, cells + 1) weights of going from one number of used cells to another."""
    steps = np.full((ratios.shape[0] + 1, ratios.shape[0] + 1), 1.0)
    steps[:, 1:] = extra_cell * ratios[:, NO_CHARACTER]
    steps[np.tril_indices_from(steps)] = 1.0
    return np.asarray((1.0 - extra_cell) * np.triu(np.cumprod(steps, axis=1)), dtype=np.float64)


def row_likelihood(
    logp: LogLikelihood, table: MarkTable, *, odds: ChannelOdds, prices: Prices
) -> RowLikelihood:
    """Likelihood of a seen row for each different row of a registry.

    Parameters
    ----------
    logp : ndarray of float64, (cells, 37)
    table : MarkTable
    odds : ChannelOdds
    prices : Prices

    Returns
    -------
    RowLikelihood
    """
    halves = half_rows(cell_ratios(logp), table, odds=odds, prices=prices)
    left, left_event = halves.left, halves.left_event
    right, right_event = halves.right, halves.right_event
    count = table.row_keys.size
    intact, one_event = np.empty(count), np.empty(count)
    for start in range(0, count, CHUNK):
        part = slice(start, start + CHUNK)
        l_node, r_node = table.left_node[part], table.right_node[part]
        l_states, r_states = left[l_node], right[r_node]
        intact[part] = _dot(l_states, r_states)
        events = _dot(left_event[l_node], r_states) + _dot(l_states, right_event[r_node])
        swapped = _dot(left[table.swapped_left[part]], right[table.swapped_right[part]])
        one_event[part] = events + odds.swap * table.swap_at_cut[part] * swapped
    with np.errstate(divide="ignore"):
        log_one_event = np.log(one_event)
    return RowLikelihood(
        log_intact=np.log(intact),
        log_one_event=log_one_event,
        log_empty=empty_log_likelihood(logp),
    )


@dataclass(frozen=True, slots=True)
class HalfRows:
    """State weights of both halves of rows; the state is the number of cells of the left one."""

    left: NDArray[np.float64]
    """(left nodes, cells + 1) with nothing gone wrong."""
    left_event: NDArray[np.float64]
    """(left nodes, cells + 1) with one event of the application channel."""
    right: NDArray[np.float64]
    """(right nodes, cells + 1)."""
    right_event: NDArray[np.float64]


def half_rows(
    ratios: NDArray[np.float64], table: MarkTable, *, odds: ChannelOdds, prices: Prices
) -> HalfRows:
    """State weights of all half rows of a registry."""
    forward = emissions(ratios, odds=odds, prices=prices)
    backward = emissions(np.ascontiguousarray(ratios[::-1]), odds=odds, prices=prices)
    missed = prices.missed_cell
    left, left_event = _walk(table.left, forward, swap=odds.swap, missed=missed)
    right, right_event = _walk(table.right, backward, swap=odds.swap, missed=missed)
    return HalfRows(
        left @ forward.gap,
        left_event @ forward.gap,
        np.ascontiguousarray(right[:, ::-1]),
        np.ascontiguousarray(right_event[:, ::-1]),
    )


def some_row_likelihood(
    logp: LogLikelihood,
    table: MarkTable,
    rows: NDArray[np.integer],
    *,
    odds: ChannelOdds,
    prices: Prices,
) -> RowLikelihood:
    """The same as :func:`row_likelihood` for a few of the different rows, character by character.

    Parameters
    ----------
    logp : ndarray of float64, (cells, 37)
    table : MarkTable
    rows : ndarray of int, (k,)
        Which of the table's rows.
    odds : ChannelOdds
    prices : Prices
    """
    cells = emissions(cell_ratios(logp), odds=odds, prices=prices)
    intact, one_event = np.empty(rows.size), np.empty(rows.size)
    lengths = table.characters[rows]
    for length in np.unique(lengths):
        alike = np.flatnonzero(lengths == length)
        for start in range(0, alike.size, CHUNK):
            part = alike[start : start + CHUNK]
            intact[part], one_event[part] = _spelled(
                table.row_characters(rows[part], int(length)),
                cells,
                swap=odds.swap,
                missed=prices.missed_cell,
            )
    with np.errstate(divide="ignore"):
        log_one_event = np.log(one_event)
    return RowLikelihood(np.log(intact), log_one_event, empty_log_likelihood(logp))


def _spelled(
    text: NDArray[np.int64], cells: Emissions, *, swap: float, missed: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(k,) likelihoods of rows of one length, intact and with one event."""
    intact = np.zeros((text.shape[0], cells.gap.shape[0]))
    intact[:, 0] = 1.0
    one_event = np.zeros_like(intact)
    exchanged = None
    for last in text.T:
        before = intact @ cells.gap
        intact, one_event = _character(
            (before, one_event @ cells.gap), last, exchanged, cells, swap=swap, missed=missed
        )
        exchanged = (before, last)
    return intact @ cells.gap[:, -1], one_event @ cells.gap[:, -1]


def empty_log_likelihood(logp: LogLikelihood) -> float:
    """Log-likelihood of a row's cells when none of them holds a character."""
    return float(np.sum(np.log(cell_ratios(logp)[:, NO_CHARACTER])))


def average_row_likelihood(
    logp: LogLikelihood, weights: NDArray[np.float64], *, prices: Prices
) -> NDArray[np.float64]:
    """Log of the likelihood averaged over rows whose characters are drawn independently.

    Parameters
    ----------
    logp : ndarray of float64, (cells, 37)
    weights : ndarray of float64, (places, 36)
        Probability of each character at each place; each place sums to one.
    prices : Prices

    Returns
    -------
    ndarray of float64, (places,)
        For rows of the first 1, 2, ... places.
    """
    ratios = cell_ratios(logp)
    gap = gap_matrix(ratios, extra_cell=prices.extra_cell)
    emission = (1.0 - prices.missed_cell) * weights @ ratios[:, :N_CHARACTERS].T
    states = np.zeros((1, ratios.shape[0] + 1))
    states[0, 0] = 1.0
    result = np.empty(weights.shape[0])
    for place in range(weights.shape[0]):
        states = _step(states @ gap, emission[place], prices.missed_cell)
        result[place] = np.log((states @ gap)[0, -1])
    return result


@dataclass(frozen=True, slots=True)
class Emissions:
    """What the cells say of characters, as they should be and with one event."""

    gap: NDArray[np.float64]
    """(cells + 1, cells + 1) see :func:`gap_matrix`."""
    seen: NDArray[np.float64]
    """(36, cells) weight of a character that is in a cell."""
    wrong: NDArray[np.float64]
    """(36, cells) the same where the die is wrong or turned."""
    wrong_missed: NDArray[np.float64]
    """(36,) weight of a character with a wrong or turned die that got no cell."""


def emissions(ratios: NDArray[np.float64], *, odds: ChannelOdds, prices: Prices) -> Emissions:
    """Weights of a row's cells.

    Parameters
    ----------
    ratios : ndarray of float64, (cells, 37)
        See :func:`cell_ratios`.
    """
    seen = (1.0 - prices.missed_cell) * ratios[:, :N_CHARACTERS].T
    others = (seen.sum(axis=0) - seen) / (N_CHARACTERS - 1)
    wrong = odds.wrong_die * others
    wrong += odds.turned_die * np.where(IS_TURNABLE[:, None], seen[TURNED_INDEX], 0.0)
    turned = odds.turned_die * IS_TURNABLE.astype(np.float64)
    return Emissions(
        gap=gap_matrix(ratios, extra_cell=prices.extra_cell),
        seen=seen,
        wrong=wrong,
        wrong_missed=prices.missed_cell * (odds.wrong_die + turned),
    )


def _walk(
    tree: PrefixTree, cells: Emissions, *, swap: float, missed: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(nodes, cells + 1) state weights of every node, intact and with one event."""
    count, states = tree.keys.size, cells.gap.shape[0]
    intact, one_event = np.zeros((count, states)), np.zeros((count, states))
    intact[0, 0] = 1.0
    before_gap = np.zeros((0, 0))
    starts = tree.level_start
    for level in range(1, len(starts) - 1):
        above, here = starts[level - 1], starts[level]
        parent_gap = intact[above:here] @ cells.gap
        event_gap = one_event[above:here] @ cells.gap
        for start in range(here, starts[level + 1], CHUNK):
            part = slice(start, min(start + CHUNK, starts[level + 1]))
            parent, last = tree.parent[part], tree.last[part]
            exchanged = None
            if level > 1:
                previous = tree.last[parent]
                exchanged = (before_gap[tree.parent[parent] - starts[level - 2]], previous)
            intact[part], one_event[part] = _character(
                (parent_gap[parent - above], event_gap[parent - above]),
                last,
                exchanged,
                cells,
                swap=swap,
                missed=missed,
            )
        before_gap = parent_gap
    return intact, one_event


def _character(
    states: tuple[NDArray[np.float64], NDArray[np.float64]],
    last: NDArray[np.integer],
    exchanged: tuple[NDArray[np.float64], NDArray[np.integer]] | None,
    cells: Emissions,
    *,
    swap: float,
    missed: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(n, cells + 1) states, intact and with one event, after one more character of each row.

    ``exchanged`` are the states before the character ahead of it, and that character.
    """
    intact, one_event = states
    seen = cells.seen[last]
    events = _step(one_event, seen, missed)
    events += _step(intact, cells.wrong[last], cells.wrong_missed[last, None])
    if exchanged is not None and swap > 0:
        before, previous = exchanged
        turned = _step(before, seen, missed) @ cells.gap
        turned = _step(turned, cells.seen[previous], missed)
        events += swap * (previous != last)[:, None] * turned
    return _step(intact, seen, missed), events


def _step(
    states: NDArray[np.float64],
    emission: NDArray[np.float64],
    missed: float | NDArray[np.float64],
) -> NDArray[np.float64]:
    """States after one character: it got no cell, or it is the next cell."""
    after: NDArray[np.float64] = states * missed
    after[:, 1:] += states[:, :-1] * emission
    return after


def _dot(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.einsum("ij,ij->i", first, second), dtype=np.float64)
