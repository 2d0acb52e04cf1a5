"""What a row of cells says of all short strings at once.

Rows of a large registry are cut into pieces of up to three characters. There are so few different
pieces that the states of all of them are worked out in whole arrays, whatever the registry holds;
a row's likelihood is then a sum of products of what was looked up for its pieces. States are the
numbers of cells used, as in :mod:`legibility.identify.alignment`.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
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

    intact: NDArray[np.float32]
    """(cells + 1, 36**length) with nothing gone wrong at application."""
    one_event: NDArray[np.float32]
    """(cells + 1, 36**length) with one event of the application channel, weighted by its odds."""


@dataclass(frozen=True, slots=True)
class SeenRow:
    """A row of cells against all short strings."""

    left: tuple[Strings, ...]
    """Strings of 0, 1, 2 and 3 characters that begin a row; the state is the number of cells of
    the string and of empty places behind it."""
    right: tuple[Strings, ...]
    """The same of strings that end a row; the state is the number of cells before them."""
    middle: tuple[NDArray[np.float32], ...]
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
    forward, backward = (
        _Walk.over(emissions(one, odds=odds, prices=prices), odds.swap, prices.missed_cell)
        for one in (ratios, ratios[::-1])
    )
    start = np.zeros((ratios.shape[0] + 1, 1), dtype=np.float32)
    start[0] = 1.0
    with ThreadPoolExecutor(2) as threads:
        ends = list(
            threads.map(lambda walk: walk.strings(start, LONGEST_PIECE), (forward, backward))
        )
    left = [
        Strings(_flat(forward.gap(one.intact)), _flat(forward.gap(one.one_event)))
        for one in ends[0]
    ]
    right = [
        Strings(_mirrored(one.intact, length), _mirrored(one.one_event, length))
        for length, one in enumerate(ends[1])
    ]
    return SeenRow(tuple(left), tuple(right), _middles(forward) if middles else ())


@dataclass(frozen=True, slots=True)
class _States:
    """(cells + 1, ...) state weights; further axes are the characters, the last one last."""

    intact: NDArray[np.float32]
    one_event: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class _Walk:
    """The steps of :mod:`legibility.identify.alignment` on arrays of all strings."""

    steps: NDArray[np.float32]
    """(cells,) weight of one more empty place, for each cell."""
    stay: np.float32
    """Weight of no empty place."""
    seen: NDArray[np.float32]
    """(cells, 36)"""
    wrong: NDArray[np.float32]
    """(cells, 36)"""
    wrong_missed: NDArray[np.float32]
    """(36,)"""
    swap: np.float32
    missed: np.float32

    @classmethod
    def over(cls, cells: Emissions, swap: float, missed: float) -> _Walk:
        """The cells of a row, in single precision."""
        return cls(
            steps=(np.diagonal(cells.gap, 1) / cells.gap[0, 0]).astype(np.float32),
            stay=np.float32(cells.gap[0, 0]),
            seen=cells.seen.T.astype(np.float32),
            wrong=cells.wrong.T.astype(np.float32),
            wrong_missed=cells.wrong_missed.astype(np.float32),
            swap=np.float32(swap),
            missed=np.float32(missed),
        )

    def gap(self, states: NDArray[np.float32]) -> NDArray[np.float32]:
        """Empty places behind each string."""
        after = states * self.stay
        for cell, weight in enumerate(self.steps, start=1):
            after[cell] += weight * after[cell - 1]
        return np.asarray(after)

    def strings(
        self, start: NDArray[np.float32], longest: int, *, goes_on: bool = False
    ) -> list[_States]:
        """States after 0, 1, ... characters.

        Parameters
        ----------
        start : ndarray of float64, (cells + 1, k)
            Each of the k is gone on from.
        longest : int
        goes_on : bool
            Whether the empty places ahead of the first character are in ``start`` already.
        """
        seen, wrong = self.seen[:, None, :], self.wrong[:, None, :]
        now = _States(start, np.zeros_like(start))
        found, before = [now], None
        for length in range(1, longest + 1):
            intact, event = now.intact, now.one_event
            if length > 1 or not goes_on:
                intact, event = self.gap(intact), self.gap(event)
            flat = intact.reshape(intact.shape[0], -1, 1)
            events = _step(event.reshape(flat.shape), seen, self.missed)
            events += _step(flat, wrong, self.wrong_missed)
            if before is not None and self.swap > 0:
                other = self.gap(_step(before, seen, self.missed))
                # Axes: states, strings before, the last character, the one ahead of it.
                other = _step(other[..., None], self.seen[:, None, None, :], self.missed)
                other[:, :, np.arange(N_CHARACTERS), np.arange(N_CHARACTERS)] = 0.0
                events += self.swap * other.swapaxes(2, 3).reshape(events.shape)
            shape = (*start.shape, *(N_CHARACTERS,) * length)
            now = _States(_step(flat, seen, self.missed).reshape(shape), events.reshape(shape))
            found.append(now)
            before = flat
        return found


def _step(
    states: NDArray[np.float32],
    emission: NDArray[np.float32],
    missed: np.float32 | NDArray[np.float32],
) -> NDArray[np.float32]:
    """States after one character, for each character of a new last axis."""
    after = np.asarray(states * np.broadcast_to(missed, emission.shape[-1:]))
    after[1:] += states[:-1] * emission
    return after


def _flat(states: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.ascontiguousarray(states.reshape(states.shape[0], -1))


def _mirrored(states: NDArray[np.float32], length: int) -> NDArray[np.float32]:
    """States of strings read backwards, as strings read forwards and cells before them."""
    axes = (0, *range(length + 1, 1, -1), 1)
    return _flat(np.transpose(states, axes)[::-1])


def _middles(walk: _Walk) -> tuple[NDArray[np.float32], ...]:
    cells = walk.seen.shape[0] + 1
    start = np.eye(cells, dtype=np.float32)
    return tuple(
        walk.gap(one.intact + one.one_event).reshape(cells, cells, -1)
        for one in walk.strings(start, LONGEST_PIECE - 1, goes_on=True)
    )
