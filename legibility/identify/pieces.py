"""What a row of cells says of all short strings at once.

Rows of a large registry are cut into pieces of up to three characters. There are so few different
pieces that the states of all of them are worked out in whole arrays, whatever the registry holds;
a row's likelihood is then a sum of products of what was looked up for its pieces. States are the
numbers of cells used, as in :mod:`legibility.identify.alignment`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.containers import LogLikelihood
from legibility.identify.alignment import Emissions, Prices, cell_ratios, emissions
from legibility.identify.channel import ChannelOdds
from legibility.identify.marktable import LONGEST_PIECE


@dataclass(frozen=True, slots=True)
class View:
    """One way to see a mark of one row in a reading."""

    log_weight: float
    logp: LogLikelihood
    """(cells, 37)"""


@dataclass(frozen=True, slots=True)
class Strings:
    """States of all strings of one length; the strings ascend as numbers to the base 36."""

    intact: NDArray[np.float64]
    """(cells + 1, 36**length) with nothing gone wrong at application."""
    one_event: NDArray[np.float64]
    """(cells + 1, 36**length) with one event of the application channel, weighted by its odds."""


@dataclass(frozen=True, slots=True)
class SeenRow:
    """A row of cells against all short strings."""

    left: tuple[Strings, ...]
    """Strings of 0, 1, 2 and 3 characters that begin a row; the state is the number of cells of
    the string and of empty places behind it."""
    right: tuple[Strings, ...]
    """The same of strings that end a row; the state is the number of cells before them."""
    middle: tuple[NDArray[np.float64], ...]
    """(cells + 1, cells + 1, 36**length) of strings of 0, 1 and 2 characters within a row: weights
    of the numbers of cells used after them (first axis), by those used before, intact or with one
    event."""


def seen_row(logp: LogLikelihood, *, odds: ChannelOdds, prices: Prices, middles: bool) -> SeenRow:
    """States of all short strings.

    Parameters
    ----------
    logp : ndarray of float64, (cells, 37)
    odds : ChannelOdds
    prices : Prices
    middles : bool
        Whether strings within a row are asked for; else ``middle`` is empty.
    """
    ratios = cell_ratios(logp)
    forward = _Walk(emissions(ratios, odds=odds, prices=prices), odds.swap, prices.missed_cell)
    back = np.ascontiguousarray(ratios[::-1])
    backward = _Walk(emissions(back, odds=odds, prices=prices), odds.swap, prices.missed_cell)
    start = np.zeros((ratios.shape[0] + 1, 1))
    start[0] = 1.0
    left = [
        Strings(_flat(forward.gap(one.intact)), _flat(forward.gap(one.one_event)))
        for one in forward.strings(start, LONGEST_PIECE)
    ]
    right = [
        Strings(_mirrored(one.intact, length), _mirrored(one.one_event, length))
        for length, one in enumerate(backward.strings(start, LONGEST_PIECE))
    ]
    return SeenRow(tuple(left), tuple(right), _middles(forward) if middles else ())


@dataclass(frozen=True, slots=True)
class _States:
    """(cells + 1, ...) state weights; further axes are the characters, the last one last."""

    intact: NDArray[np.float64]
    one_event: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Walk:
    """The steps of :mod:`legibility.identify.alignment` on arrays of all strings."""

    cells: Emissions
    swap: float
    missed: float

    def gap(self, states: NDArray[np.float64]) -> NDArray[np.float64]:
        """Empty places behind each string."""
        gap = self.cells.gap
        after = states * gap[0, 0]
        for cell, weight in enumerate(np.diagonal(gap, 1) / gap[0, 0], start=1):
            after[cell] += weight * after[cell - 1]
        return np.asarray(after)

    def strings(self, start: NDArray[np.float64], longest: int) -> list[_States]:
        """States after 0, 1, ... characters.

        Parameters
        ----------
        start : ndarray of float64, (cells + 1, k)
            Each of the k is gone on from.
        """
        seen, wrong = self.cells.seen.T[:, None, :], self.cells.wrong.T[:, None, :]
        wrong_missed = self.cells.wrong_missed
        now = _States(start, np.zeros_like(start))
        found, before = [now], None
        for length in range(1, longest + 1):
            intact, event = self.gap(now.intact), self.gap(now.one_event)
            flat = intact.reshape(intact.shape[0], -1, 1)
            events = _step(event.reshape(flat.shape), seen, self.missed)
            events += _step(flat, wrong, wrong_missed)
            if before is not None and self.swap > 0:
                other = self.gap(_step(before, seen, self.missed))
                # Axes: states, strings before, the last character, the one ahead of it.
                other = _step(other[..., None], self.cells.seen.T[:, None, None, :], self.missed)
                other[:, :, np.arange(N_CHARACTERS), np.arange(N_CHARACTERS)] = 0.0
                events += self.swap * other.swapaxes(2, 3).reshape(events.shape)
            shape = (*start.shape, *(N_CHARACTERS,) * length)
            now = _States(_step(flat, seen, self.missed).reshape(shape), events.reshape(shape))
            found.append(now)
            before = flat
        return found


def _step(
    states: NDArray[np.float64], emission: NDArray[np.float64], missed: float | NDArray[np.float64]
) -> NDArray[np.float64]:
    """States after one character, for each character of a new last axis."""
    after = np.asarray(states * np.broadcast_to(missed, emission.shape[-1:]))
    after[1:] += states[:-1] * emission
    return after


def _flat(states: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.ascontiguousarray(states.reshape(states.shape[0], -1))


def _mirrored(states: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    """States of strings read backwards, as strings read forwards and cells before them."""
    axes = (0, *range(length + 1, 1, -1), 1)
    return _flat(np.transpose(states, axes)[::-1])


def _middles(walk: _Walk) -> tuple[NDArray[np.float64], ...]:
    cells = walk.cells.gap.shape[0]
    return tuple(
        walk.gap(one.intact + one.one_event).reshape(cells, cells, -1)
        for one in walk.strings(np.eye(cells), LONGEST_PIECE - 1)
    )
