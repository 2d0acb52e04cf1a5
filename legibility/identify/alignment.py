"""Likelihood of one seen row of cells for every row of characters of a registry.

The likelihood sums over all ways in which the characters may have made the cells
(:mod:`legibility.identify.emissions`). States are the number of cells used so far, once with
nothing gone wrong at application and once with exactly one event of the application channel,
weighted by its odds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.identify.channel import ChannelOdds
from legibility.identify.emissions import Emissions, RowCells, advanced, emissions
from legibility.identify.marktable import MarkTable, PrefixTree

CHUNK: Final = 4096
"""Choice: rows worked on at a time, so that their states fit the processor's cache."""

Jumps = NDArray[np.float64] | None
"""See :class:`legibility.identify.emissions.Emissions`."""


@dataclass(frozen=True, slots=True)
class RowLikelihood:
    """What one seen row says of each different row of a registry."""

    log_intact: NDArray[np.float64]
    """(r,) log-likelihood with nothing gone wrong at application."""
    log_one_event: NDArray[np.float64]
    """(r,) log of the odds-weighted sum over single events; -inf where there are none."""

    def either(self, changed: bool) -> NDArray[np.float64]:
        """(r,) after one event alone, or else of both together."""
        return self.log_one_event if changed else self.together

    @property
    def together(self) -> NDArray[np.float64]:
        """(r,) log of the sum of both."""
        return np.asarray(np.logaddexp(self.log_intact, self.log_one_event))


def row_likelihood(
    cells: RowCells,
    table: MarkTable,
    *,
    odds: ChannelOdds,
    jumps: Jumps = None,
    rows: slice | None = None,
) -> RowLikelihood:
    """Likelihood of a seen row for each different row of a registry.

    Parameters
    ----------
    cells : RowCells
    table : MarkTable
    odds : ChannelOdds
    jumps : ndarray of float64, (characters + 1,), optional
        Only with ``rows`` that all have so many characters.
    rows : slice, optional
        Which of the table's rows; all of them by default.

    Returns
    -------
    RowLikelihood
        Of the chosen rows.
    """
    halves = half_rows(cells, table, odds=odds, jumps=jumps)
    left, left_event = halves.left, halves.left_event
    right, right_event = halves.right, halves.right_event
    chosen = rows or slice(0, table.row_keys.size)
    count = chosen.stop - chosen.start
    intact, one_event = np.empty(count), np.empty(count)
    for start in range(0, count, CHUNK):
        part = slice(start, min(start + CHUNK, count))
        own = slice(part.start + chosen.start, part.stop + chosen.start)
        l_node, r_node = table.left_node[own], table.right_node[own]
        l_states, r_states = left[l_node], right[r_node]
        intact[part] = _dot(l_states, r_states)
        events = _dot(left_event[l_node], r_states) + _dot(l_states, right_event[r_node])
        swapped = _dot(left[table.swapped_left[own]], right[table.swapped_right[own]])
        one_event[part] = events + odds.swap * table.swap_at_cut[own] * swapped
    with np.errstate(divide="ignore"):
        return RowLikelihood(np.log(intact), np.log(one_event))


@dataclass(frozen=True, slots=True)
class HalfRows:
    """State weights of both halves of rows; the state is the number of cells of the left one."""

    left: NDArray[np.float64]
    """(left nodes, states) with nothing gone wrong."""
    left_event: NDArray[np.float64]
    """(left nodes, states) with one event of the application channel."""
    right: NDArray[np.float64]
    """(right nodes, states)."""
    right_event: NDArray[np.float64]


def half_rows(
    cells: RowCells, table: MarkTable, *, odds: ChannelOdds, jumps: Jumps = None
) -> HalfRows:
    """State weights of all half rows of a registry."""
    forward = emissions(cells, odds=odds, jumps=jumps)
    backward = emissions(cells.reversed(), odds=odds, jumps=None if jumps is None else jumps[::-1])
    left, left_event = _walk(table.left, forward, swap=odds.swap)
    right, right_event = _walk(table.right, backward, swap=odds.swap)
    # The left half of a row of one character is the empty string: nothing goes on from there.
    for level, (start, stop) in enumerate(_levels(table.left)):
        part, gap = slice(start, stop), forward.gap(level)
        left[part] = left[part] @ gap
        left_event[part] = left_event[part] @ gap
    return HalfRows(
        left,
        left_event,
        np.ascontiguousarray(right[:, ::-1]),
        np.ascontiguousarray(right_event[:, ::-1]),
    )


def some_row_likelihood(
    cells: RowCells,
    table: MarkTable,
    rows: NDArray[np.integer],
    *,
    odds: ChannelOdds,
    jumps: Jumps = None,
) -> RowLikelihood:
    """The same as :func:`row_likelihood` for a few of the different rows, character by character.

    Parameters
    ----------
    rows : ndarray of int, (k,)
        Which of the table's rows.
    """
    said = emissions(cells, odds=odds, jumps=jumps)
    intact, one_event = np.empty(rows.size), np.empty(rows.size)
    lengths = table.characters[rows]
    for length in np.unique(lengths):
        alike = np.flatnonzero(lengths == length)
        for start in range(0, alike.size, CHUNK):
            part = alike[start : start + CHUNK]
            intact[part], one_event[part] = _spelled(
                table.row_characters(rows[part], int(length)), said, swap=odds.swap
            )
    with np.errstate(divide="ignore"):
        return RowLikelihood(np.log(intact), np.log(one_event))


def _spelled(
    text: NDArray[np.int64], cells: Emissions, *, swap: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(k,) likelihoods of rows of one length, intact and with one event."""
    intact = np.zeros((text.shape[0], cells.missed.size))
    intact[:, 0] = 1.0
    one_event = np.zeros_like(intact)
    exchanged = None
    for place, last in enumerate(text.T):
        gap = cells.gap(place)
        before = intact @ gap
        intact, one_event = _character(
            (before, one_event @ gap), last, exchanged, cells, gap=gap, swap=swap
        )
        exchanged = (before, last)
    return intact @ cells.last, one_event @ cells.last


def _levels(tree: PrefixTree) -> list[tuple[int, int]]:
    """First and last node of each level."""
    return list(zip(tree.level_start[:-1], tree.level_start[1:], strict=True))


def _walk(
    tree: PrefixTree, cells: Emissions, *, swap: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(nodes, states) state weights of every node, intact and with one event."""
    count, states = tree.keys.size, cells.missed.size
    intact, one_event = np.zeros((count, states)), np.zeros((count, states))
    intact[0, 0] = 1.0
    before_gap = np.zeros((0, 0))
    starts = tree.level_start
    for level in range(1, len(starts) - 1):
        above, here = starts[level - 1], starts[level]
        gap = cells.gap(level - 1)
        parent_gap = intact[above:here] @ gap
        event_gap = one_event[above:here] @ gap
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
                gap=gap,
                swap=swap,
            )
        before_gap = parent_gap
    return intact, one_event


def _character(
    states: tuple[NDArray[np.float64], NDArray[np.float64]],
    last: NDArray[np.integer],
    exchanged: tuple[NDArray[np.float64], NDArray[np.integer]] | None,
    cells: Emissions,
    *,
    gap: NDArray[np.float64],
    swap: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(n, states) weights, intact and with one event, after one more character of each row.

    ``exchanged`` are the states before the character ahead of it, and that character; ``gap`` lies
    between the two.
    """
    intact, one_event = states
    seen, missed = cells.seen[last], cells.missed
    events = advanced(one_event, seen, missed)
    events += advanced(intact, cells.wrong[last], cells.wrong_missed[last])
    if exchanged is not None and swap > 0:
        before, previous = exchanged
        turned = advanced(before, seen, missed) @ gap
        turned = advanced(turned, cells.seen[previous], missed)
        events += swap * (previous != last)[:, None] * turned
    return advanced(intact, seen, missed), events


def _dot(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.einsum("ij,ij->i", first, second), dtype=np.float64)
