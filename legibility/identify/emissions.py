"""What a row of cells says of single characters, and how characters and cells follow each other.

A row of characters makes a row of cells from left to right: before each character and at the end
come places cut out although nothing was pressed there, k of them with probability
``(1 - q) q**k``; each character then gives a cell, or with probability d none. All likelihoods are
ratios to a cell of which nothing is known (a cell's log-probability plus log 37). The state is the
number of cells used so far.

One row of the list may stand in two rows in the ear. Its cells are then those of both rows with one
more state between them, which is entered only between two characters; where one of the rows was not
seen, a single state stands for it, in which characters cost nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS, N_CLASSES, NO_CHARACTER
from legibility.containers import LogLikelihood
from legibility.identify.channel import IS_TURNABLE, TURNED_INDEX, ChannelOdds

CELL_FLOOR: Final = -30.0
"""Choice: no cell speaks against a character with more than exp(-30)."""
ROW_FLOOR: Final = -600.0
"""Arithmetic: a whole row above exp(-600), so that products stay above the smallest double."""


@dataclass(frozen=True, slots=True)
class Prices:
    """Probabilities that the rows found are not the rows of the mark."""

    extra_cell: float = 0.007
    """Measured on simulated photos (printed by ``python -m legibility.train.fit --only registry``):
    one more place cut out, before any character or at the end."""
    missed_cell: float = 0.005
    """Measured likewise: a character that got no cell; gaps in a row get one as a rule."""
    extra_row: float = 0.02
    """Choice, no source: one more row found where there is none."""
    missed_row: float = 0.02
    """Choice, no source: one row of two not found."""
    crossed_rows: float = 0.002
    """Choice, no source: two rows written in the record in the other order."""


@dataclass(frozen=True, slots=True)
class RowCells:
    """The cells that one row of characters of the list is held against."""

    ratios: NDArray[np.float64]
    """(states - 1, 37) of the cell between two states; zeros where a row of the ear ends."""
    stay: NDArray[np.float64]
    """(states,) weight of no more empty place."""
    steps: NDArray[np.float64]
    """(states - 1,) weight of one more empty place, or of going on to the next row."""
    missed: NDArray[np.float64]
    """(states,) weight of a character that gets no cell."""
    break_step: int = -1
    """Which of the steps goes on to the next row; -1 where there is one row."""

    @property
    def states(self) -> int:
        return int(self.stay.size)

    def reversed(self) -> RowCells:
        """The same from right to left."""
        at = self.steps.size - 1 - self.break_step if self.break_step >= 0 else -1
        steps = self.steps * self.stay[:-1] / self.stay[1:]
        return RowCells(
            np.ascontiguousarray(self.ratios[::-1]),
            self.stay[::-1],
            steps[::-1],
            self.missed[::-1],
            at,
        )


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


def empty_log_likelihood(logp: LogLikelihood) -> float:
    """Log-likelihood of a row's cells when none of them holds a character."""
    return float(np.sum(np.log(cell_ratios(logp)[:, NO_CHARACTER])))


def one_row(logp: LogLikelihood, *, prices: Prices) -> RowCells:
    """Cells of one row of the ear, (cells, 37) log-probabilities."""
    ratios = cell_ratios(logp)
    states = ratios.shape[0] + 1
    return RowCells(
        ratios,
        np.full(states, 1.0 - prices.extra_cell),
        prices.extra_cell * ratios[:, NO_CHARACTER],
        np.full(states, prices.missed_cell),
    )


def two_rows(first: LogLikelihood, second: LogLikelihood, *, prices: Prices) -> RowCells:
    """Cells of two rows of the ear that hold one row of the list."""
    before, after = one_row(first, prices=prices), one_row(second, prices=prices)
    return RowCells(
        np.concatenate([before.ratios, np.zeros((1, N_CLASSES)), after.ratios]),
        np.concatenate([before.stay, after.stay]),
        np.concatenate([before.steps, [1.0 - prices.extra_cell], after.steps]),
        np.concatenate([before.missed, after.missed]),
        before.steps.size,
    )


def half_seen(logp: LogLikelihood, *, first: bool, prices: Prices) -> RowCells:
    """Cells of the first (or else the second) of two rows of the ear; the other was not found."""
    row = one_row(logp, prices=prices)
    nothing, free = np.zeros((1, N_CLASSES)), np.ones(1)
    if first:
        return RowCells(
            np.concatenate([row.ratios, nothing]),
            np.concatenate([row.stay, free]),
            np.concatenate([row.steps, free]),
            np.concatenate([row.missed, free]),
            row.steps.size,
        )
    return RowCells(
        np.concatenate([nothing, row.ratios]),
        np.concatenate([free, row.stay]),
        np.concatenate([[1.0 - prices.extra_cell], row.steps]),
        np.concatenate([free, row.missed]),
        0,
    )


NO_EVENT: Final = ChannelOdds(0.0, 0.0, 0.0)
"""Odds of marks that are pressed as they should be."""


@dataclass(frozen=True, slots=True)
class Emissions:
    """What the cells say of characters, as they should be and with one event."""

    within: NDArray[np.float64]
    """(states, states) weights of empty places that stay in one row of the ear."""
    across: NDArray[np.float64]
    """(states, states) of those that go on to the next row."""
    jumps: NDArray[np.float64] | None
    """(characters + 1,) weight of going on to the next row after so many characters; None: 1
    between any two characters, whatever their number."""
    missed: NDArray[np.float64]
    """(states,) weight of a character that gets no cell."""
    seen: NDArray[np.float64]
    """(36, states - 1) weight of a character that is in a cell."""
    wrong: NDArray[np.float64]
    """(36, states - 1) the same where the die is wrong or turned."""
    wrong_missed: NDArray[np.float64]
    """(36, states) weight of a character with a wrong or turned die that gets no cell."""

    def gap(self, before: int) -> NDArray[np.float64]:
        """(states, states) weights of going from one number of used cells to another, after
        ``before`` characters, when more are to come."""
        if before == 0 or (self.jumps is not None and before >= self.jumps.size):
            return self.within
        jump = 1.0 if self.jumps is None else float(self.jumps[before])
        return self.within if jump == 0.0 else self.within + jump * self.across

    @property
    def first(self) -> NDArray[np.float64]:
        """(states,) before the first character."""
        return np.asarray(self.within[0])

    @property
    def last(self) -> NDArray[np.float64]:
        """(states,) weight of ending here."""
        return np.asarray(self.within[:, -1])


def emissions(
    cells: RowCells,
    *,
    odds: ChannelOdds = NO_EVENT,
    jumps: NDArray[np.float64] | None = None,
) -> Emissions:
    """Weights of a row's cells.

    Parameters
    ----------
    cells : RowCells
    odds : ChannelOdds, optional
    jumps : ndarray of float64, (characters + 1,), optional
        See :class:`Emissions`.
    """
    # A state is left over a cell with a character as often as it is not missed there.
    there = 1.0 - cells.missed[:-1]
    seen = np.ascontiguousarray((there[:, None] * cells.ratios[:, :N_CHARACTERS]).T)
    others = (seen.sum(axis=0) - seen) / (N_CHARACTERS - 1)
    wrong = odds.wrong_die * others
    wrong += odds.turned_die * np.where(IS_TURNABLE[:, None], seen[TURNED_INDEX], 0.0)
    turned = odds.turned_die * IS_TURNABLE.astype(np.float64)
    steps = cells.steps.copy()
    both = _gaps(cells.stay, steps)
    if cells.break_step >= 0:
        steps[cells.break_step] = 0.0
    within = _gaps(cells.stay, steps)
    return Emissions(
        within=within,
        across=both - within,
        jumps=jumps,
        missed=cells.missed,
        seen=seen,
        wrong=wrong,
        wrong_missed=(odds.wrong_die + turned)[:, None] * cells.missed,
    )


def advanced(
    states: NDArray[np.float64],
    seen: NDArray[np.float64],
    missed: float | NDArray[np.float64],
) -> NDArray[np.float64]:
    """(n, states) weights after one more character: it got no cell, or it is the next cell.

    Parameters
    ----------
    states : ndarray of float64, (n, states)
    seen : ndarray of float64, (n, states - 1) or (states - 1,)
        Weight of the character in each cell.
    missed : float or ndarray of float64, (n, states) or (states,)
        Its weight without a cell.
    """
    after: NDArray[np.float64] = states * missed
    after[:, 1:] += states[:, :-1] * seen
    return after


def _gaps(stay: NDArray[np.float64], steps: NDArray[np.float64]) -> NDArray[np.float64]:
    """(states, states) of no, one, two, ... more empty places."""
    result = np.diag(stay)
    for state, weight in enumerate(steps, start=1):
        result[:, state] += weight * result[:, state - 1]
    return result
