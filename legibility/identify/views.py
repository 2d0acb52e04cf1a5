"""Ways to see a mark in a reading: which of the rows found are its rows, and where they break."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CLASSES
from legibility.containers import Hypothesis, LogLikelihood, Reading
from legibility.identify.emissions import (
    Prices,
    RowCells,
    empty_log_likelihood,
    half_seen,
    one_row,
    two_rows,
)
from legibility.identify.layouts import LONGEST_MARK, LayoutPrior


@dataclass(frozen=True, slots=True)
class Placement:
    """One way the rows of a mark and the rows seen may belong together."""

    log_weight: float
    rows: tuple[int | None, ...]
    """For each row of the mark the seen row, None when it was not found."""
    empty: tuple[int, ...]
    """Seen rows that hold no character."""


@dataclass(frozen=True, slots=True)
class View:
    """One way to see marks whose characters the list writes in one row."""

    cells: RowCells
    log_weight: NDArray[np.float64]
    """(LONGEST_MARK + 1,) of seeing a mark so, by its number of characters; ``-inf``: never."""
    jumps: NDArray[np.float64] | None = None
    """(characters + 1,) of views of marks of one length, see
    :class:`legibility.identify.emissions.Emissions`."""

    @property
    def length(self) -> int:
        """Number of characters of the marks that a view with ``jumps`` is of; else 0."""
        return 0 if self.jumps is None else int(self.jumps.size) - 1


@lru_cache(maxsize=256)
def placements(rows: int, seen: int, *, prices: Prices) -> tuple[Placement, ...]:
    """All ways to place ``rows`` (1 or 2) rows of a mark on ``seen`` (1 or more) rows found.

    The weights over all numbers of rows seen sum to one.
    """
    if rows == 2 and seen == 1:
        weight = np.log(prices.missed_row / 2)
        return (Placement(weight, (0, None), ()), Placement(weight, (None, 0), ()))
    extra = seen - rows
    found = np.log((1 - prices.extra_row) * prices.extra_row**extra)
    found += np.log(1 - prices.missed_row) if rows == 2 else 0.0
    chosen = list(combinations(range(seen), rows))
    result = []
    for places in chosen:
        empty = tuple(row for row in range(seen) if row not in places)
        weight = found - np.log(len(chosen))
        if rows == 1:
            result.append(Placement(weight, places, empty))
        else:
            straight = Placement(weight + np.log1p(-prices.crossed_rows), places, empty)
            crossed = Placement(weight + np.log(prices.crossed_rows), places[::-1], empty)
            result += [straight, crossed]
    return tuple(result)


def views_of(
    rows: Sequence[LogLikelihood],
    *,
    log_weight: float,
    layouts: LayoutPrior | None,
    prices: Prices,
) -> list[View]:
    """All ways to see a mark that is written in one row.

    Parameters
    ----------
    rows : sequence of (cells, 37) arrays
        Rows of one hypothesis of a reading.
    log_weight : float
        Of the hypothesis.
    layouts : LayoutPrior or None
        None: marks stand in the ear as they are written.
    prices : Prices
    """
    empty = [empty_log_likelihood(logp) for logp in rows]
    as_written = np.zeros(LONGEST_MARK + 1) if layouts is None else layouts.one_row
    result = []
    for place in placements(1, len(rows), prices=prices):
        constant = log_weight + place.log_weight + sum(empty[row] for row in place.empty)
        cells = one_row(rows[place.rows[0] or 0], prices=prices)
        result.append(View(cells, constant + as_written))
    if layouts is None:
        return result
    for place in placements(2, len(rows), prices=prices):
        constant = log_weight + place.log_weight + sum(empty[row] for row in place.empty)
        cells = _placed(rows, place, prices)
        if np.isfinite(layouts.even_break).any():
            result.append(View(cells, constant + layouts.even_break))
        for n in layouts.uneven:
            weight = np.full(LONGEST_MARK + 1, -np.inf)
            weight[n] = constant
            jumps = np.append(layouts.probability[n, :n], 0.0)
            jumps[0] = 0.0
            result.append(View(cells, weight, jumps))
    return result


def _placed(rows: Sequence[LogLikelihood], place: Placement, prices: Prices) -> RowCells:
    first, second = place.rows
    if first is not None and second is not None:
        return two_rows(rows[first], rows[second], prices=prices)
    return half_seen(rows[first or second or 0], first=first is not None, prices=prices)


def row_logp(reading: Reading) -> list[list[LogLikelihood]]:
    """Cells of each row of each hypothesis as (cells, 37) arrays, checked.

    Raises
    ------
    ValueError
        If a cell has the wrong shape or a value that is not a number.
    """
    result = []
    for h, hypothesis in enumerate(reading.hypotheses):
        rows = []
        for r, cells in enumerate(hypothesis.rows):
            for c, cell in enumerate(cells):
                if cell.logp.shape != (N_CLASSES,) or bool(np.isnan(cell.logp).any()):
                    raise ValueError(
                        f"hypothesis {h}, row {r}, cell {c}: log-probabilities of shape "
                        f"{cell.logp.shape}; expected ({N_CLASSES},) without NaN"
                    )
            stacked = [np.asarray(cell.logp, dtype=np.float64) for cell in cells]
            rows.append(np.array(stacked).reshape(len(cells), N_CLASSES))
        result.append(rows)
    return result


def hypothesis_weights(hypotheses: Sequence[Hypothesis]) -> NDArray[np.float64]:
    """(h,) log-probabilities of the hypotheses given that there is a mark; they sum to one."""
    logp = np.array([hypothesis.logp for hypothesis in hypotheses], dtype=np.float64)
    return np.asarray(logp - np.logaddexp.reduce(logp), dtype=np.float64)


def weighed_rows(reading: Reading) -> list[tuple[float, list[LogLikelihood]]]:
    """Log-weight and rows of every hypothesis that has a row and may be true."""
    return [
        (float(weight), rows)
        for weight, rows in zip(
            hypothesis_weights(reading.hypotheses), row_logp(reading), strict=True
        )
        if rows and np.isfinite(weight)
    ]
