"""What a row of cells says of all short strings at once.

Rows of a large registry are cut into pieces of up to three characters. There are so few different
pieces that the states of all of them are worked out in whole arrays, whatever the registry holds;
a row's likelihood is then a sum of products of what was looked up for its pieces. States are those
of :mod:`legibility.identify.emissions`.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.identify.channel import ChannelOdds
from legibility.identify.emissions import RowCells, emissions
from legibility.identify.marktable import LONGEST_PIECE


@dataclass(frozen=True, slots=True)
class Strings:
    """States of all strings of one length; the strings ascend as numbers to the base 36."""

    intact: NDArray[np.float32]
    """(states, 36**length) with nothing gone wrong at application."""
    one_event: NDArray[np.float32]
    """(states, 36**length) with one event of the application channel, weighted by its odds."""


@dataclass(frozen=True, slots=True)
class SeenRow:
    """A row of cells against all short strings."""

    left: tuple[Strings, ...]
    """Strings of 0, 1, 2 and 3 characters that begin a row and have more behind them; the state is
    the number of cells of the string and of empty places behind it."""
    whole: tuple[Strings, ...]
    """The same of strings that are all of a row."""
    right: tuple[Strings, ...]
    """The same of strings that end a row; the state is the number of cells before them."""
    middle: tuple[NDArray[np.float32], ...]
    """(states, states, 36**length) of strings of 0, 1 and 2 characters within a row: weights of the
    states after them (first axis), by those before, intact or with one event."""


def seen_row(
    cells: RowCells,
    *,
    odds: ChannelOdds,
    middles: bool,
    jumps: NDArray[np.float64] | None = None,
) -> SeenRow:
    """States of all short strings.

    Parameters
    ----------
    cells : RowCells
    odds : ChannelOdds
    middles : bool
        Whether strings within a row are asked for; else ``middle`` is empty.
    jumps : ndarray of float64, (characters + 1,), optional
        See :class:`legibility.identify.emissions.Emissions`.
    """
    forward = _Walk.over(cells, odds, jumps)
    backward = _Walk.over(cells.reversed(), odds, None if jumps is None else jumps[::-1])
    start = np.zeros((cells.states, 1), dtype=np.float32)
    start[0] = 1.0
    with ThreadPoolExecutor(2) as threads:
        ends = list(
            threads.map(lambda walk: walk.strings(start, LONGEST_PIECE), (forward, backward))
        )

    def behind(gap: Callable[[int], float]) -> tuple[Strings, ...]:
        return tuple(
            Strings(
                _flat(forward.gap(one.intact, gap(length))),
                _flat(forward.gap(one.one_event, gap(length))),
            )
            for length, one in enumerate(ends[0])
        )

    right = [
        Strings(_mirrored(one.intact, length), _mirrored(one.one_event, length))
        for length, one in enumerate(ends[1])
    ]
    return SeenRow(
        left=behind(forward.jump),
        whole=behind(lambda length: 0.0),
        right=tuple(right),
        middle=_middles(forward) if middles else (),
    )


@dataclass(frozen=True, slots=True)
class _States:
    """(states, ...) weights; further axes are the characters, the last one last."""

    intact: NDArray[np.float32]
    one_event: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class _Walk:
    """The steps of :mod:`legibility.identify.alignment` on arrays of all strings."""

    steps: NDArray[np.float32]
    """(states - 1,) weight of one more empty place, for each cell."""
    break_step: int
    stay: NDArray[np.float32]
    """(states,) weight of no empty place."""
    missed: NDArray[np.float32]
    """(states,)"""
    seen: NDArray[np.float32]
    """(states - 1, 36)"""
    wrong: NDArray[np.float32]
    """(states - 1, 36)"""
    wrong_missed: NDArray[np.float32]
    """(states, 36)"""
    swap: np.float32
    jumps: NDArray[np.float64] | None

    @classmethod
    def over(cls, cells: RowCells, odds: ChannelOdds, jumps: NDArray[np.float64] | None) -> _Walk:
        """The cells of a row, in single precision."""
        said = emissions(cells, odds=odds, jumps=jumps)
        return cls(
            steps=cells.steps.astype(np.float32),
            break_step=cells.break_step,
            stay=cells.stay.astype(np.float32),
            missed=cells.missed.astype(np.float32),
            seen=said.seen.T.astype(np.float32),
            wrong=said.wrong.T.astype(np.float32),
            wrong_missed=said.wrong_missed.T.astype(np.float32),
            swap=np.float32(odds.swap),
            jumps=jumps,
        )

    def jump(self, before: int) -> float:
        """Weight of going on to the next row of the ear after so many characters."""
        if before == 0 or (self.jumps is not None and before >= self.jumps.size):
            return 0.0
        return 1.0 if self.jumps is None else float(self.jumps[before])

    def gap(self, states: NDArray[np.float32], jump: float) -> NDArray[np.float32]:
        """Empty places behind each string."""
        after = states * _over_states(self.stay, states)
        for cell, weight in enumerate(self.steps, start=1):
            share = weight * np.float32(jump) if cell - 1 == self.break_step else weight
            if share > 0.0:
                after[cell] += share * after[cell - 1]
        return np.asarray(after)

    def strings(
        self, start: NDArray[np.float32], longest: int, *, goes_on: bool = False
    ) -> list[_States]:
        """States after 0, 1, ... characters.

        Parameters
        ----------
        start : ndarray of float32, (states, k)
            Each of the k is gone on from.
        longest : int
        goes_on : bool
            Whether there are characters ahead, and the empty places behind them are in ``start``.
        """
        now = _States(start, np.zeros_like(start))
        found, before = [now], None
        for length in range(1, longest + 1):
            intact, event = now.intact, now.one_event
            jump = self.jump(length - 1 + goes_on)
            if length > 1 or not goes_on:
                intact, event = self.gap(intact, jump), self.gap(event, jump)
            flat = intact.reshape(intact.shape[0], -1, 1)
            events = self._step(event.reshape(flat.shape), self.seen)
            events += self._step(flat, self.wrong, self.wrong_missed)
            if before is not None and self.swap > 0:
                other = self.gap(self._step(before, self.seen), jump)
                # Axes: states, strings before, the last character, the one ahead of it.
                other = self._step(other[..., None], self.seen)
                other[:, :, np.arange(N_CHARACTERS), np.arange(N_CHARACTERS)] = 0.0
                events += self.swap * other.swapaxes(2, 3).reshape(events.shape)
            shape = (*start.shape, *(N_CHARACTERS,) * length)
            now = _States(self._step(flat, self.seen).reshape(shape), events.reshape(shape))
            found.append(now)
            before = flat
        return found

    def _step(
        self,
        states: NDArray[np.float32],
        emission: NDArray[np.float32],
        missed: NDArray[np.float32] | None = None,
    ) -> NDArray[np.float32]:
        """States after one character, for each character of a new last axis.

        ``missed`` are (states, 36) weights where they hang on the character.
        """
        shape = (-1, *(1,) * (states.ndim - 2), N_CHARACTERS)
        if missed is None:
            missed = np.broadcast_to(self.missed[:, None], (self.missed.size, N_CHARACTERS))
        after = np.asarray(states * missed.reshape(shape))
        after[1:] += states[:-1] * emission.reshape(shape)
        return after


def _over_states(values: NDArray[np.float32], states: NDArray[np.float32]) -> NDArray[np.float32]:
    return values.reshape(-1, *(1,) * (states.ndim - 1))


def _flat(states: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.ascontiguousarray(states.reshape(states.shape[0], -1))


def _mirrored(states: NDArray[np.float32], length: int) -> NDArray[np.float32]:
    """States of strings read backwards, as strings read forwards and cells before them."""
    axes = (0, *range(length + 1, 1, -1), 1)
    return _flat(np.transpose(states, axes)[::-1])


def _middles(walk: _Walk) -> tuple[NDArray[np.float32], ...]:
    start = np.eye(walk.missed.size, dtype=np.float32)
    states = walk.missed.size
    return tuple(
        walk.gap(one.intact + one.one_event, 1.0).reshape(states, states, -1)
        for one in walk.strings(start, LONGEST_PIECE - 1, goes_on=True)
    )
