"""Likelihoods of all rows of up to six characters of a large registry, in single precision.

Such a row is two pieces, and its likelihood a sum over the number of cells of the first one:
products of what is looked up in :mod:`legibility.identify.pieces`. Products that are too small to
matter for all rows together need not be made.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.identify.channel import ChannelOdds
from legibility.identify.marktable import LONGEST_PIECE, MarkTable, exchanged, piece_lengths
from legibility.identify.pieces import SeenRow

BLOCK: Final = 65_536
"""Measured: of 16,384 to 131,072 rows at a time, least time in a million marks with two threads."""
THREADS: Final = 2
"""Choice: blocks at work at the same time; more are held up by memory."""
LARGEST: Final = 1e36
"""Arithmetic: the largest product, so that small ones keep above the least single."""
LEAST_SHARE: Final = 1e-37
"""Arithmetic: entries that make no product above this share of the largest one are 0, so that no
product is below the least normal single."""


@dataclass(frozen=True, slots=True)
class Product:
    """One summand of the likelihoods of all rows of one length."""

    characters: int
    log_size: float
    """Log of the largest product."""
    log_sum: float
    """Log of a bound for all rows together."""
    left: NDArray[np.float32]
    """(36**k,) of first pieces."""
    right: NDArray[np.float32]
    """(36**k,) of second pieces."""
    crossed: bool
    """Whether it is of rows with the characters at the cut exchanged."""


def products(
    weights: NDArray[np.float64], row: SeenRow, table: MarkTable, *, odds: ChannelOdds
) -> list[Product]:
    """All summands by one seen row.

    Parameters
    ----------
    weights : ndarray of float64, (characters + 1,)
        Log; of seeing marks of so many characters so.
    row : SeenRow
    table : MarkTable
    odds : ChannelOdds
    """
    result = []
    for characters, rows in table.lengths():
        weight = float(weights[characters])
        if characters > 2 * LONGEST_PIECE or not np.isfinite(weight):
            continue
        first, last = piece_lengths(characters)
        left, right = (row.left if last else row.whole)[first], row.right[last]
        ahead = [_Column.of(one) for one in (left.intact + left.one_event, left.intact)]
        behind = [_Column.of(one) for one in (right.intact, right.one_event)]
        for k in range(left.intact.shape[0]):
            for a, b, share, crossed in (
                (ahead[0], behind[0], 1.0, False),
                (ahead[1], behind[1], 1.0, False),
                (ahead[1], behind[0], odds.swap if last else 0.0, True),
            ):
                size = a.largest[k] * b.largest[k] * share
                if size <= 0.0:
                    continue
                together = size * (rows.stop - rows.start)
                if not crossed:
                    sharing = table.piece_rows[characters]
                    together = min(
                        together,
                        a.largest[k] * b.total[k] * sharing[1],
                        a.total[k] * b.largest[k] * sharing[0],
                    )
                result.append(
                    Product(
                        characters,
                        weight + float(np.log(size)),
                        weight + float(np.log(together)),
                        a.states[k],
                        b.states[k],
                        crossed,
                    )
                )
    return result


@dataclass(frozen=True, slots=True)
class _Column:
    states: NDArray[np.float32]
    """(cells + 1, strings)"""
    largest: NDArray[np.float64]
    total: NDArray[np.float64]

    @classmethod
    def of(cls, states: NDArray[np.float32]) -> _Column:
        largest = states.max(axis=1).astype(np.float64)
        return cls(states, largest, states.sum(axis=1, dtype=np.float64))


def end_of_short(table: MarkTable) -> int:
    """How many of the different rows have up to six characters; they come first."""
    return max((rows.stop for n, rows in table.lengths() if n <= 2 * LONGEST_PIECE), default=0)


def parts(rows: slice) -> list[slice]:
    """Blocks of rows."""
    return [slice(s, min(s + BLOCK, rows.stop)) for s in range(rows.start, rows.stop, BLOCK)]


def needed(
    made: Sequence[Product], table: MarkTable, *, log_scale: float, allowed: float
) -> tuple[list[Product], float, float]:
    """Products that may not be left out.

    Parameters
    ----------
    made : sequence of Product
    table : MarkTable
    log_scale : float
    allowed : float
        Most that may be left out of all rows together, over ``exp(log_scale)``.

    Returns
    -------
    products : list of Product
    left_out : float
        Most that the others are for all rows together.
    left_out_each : float
        Most that the others are for one row.
    """
    lost = 2 * LEAST_SHARE * LARGEST * len(made)  # See _Sum.of().
    chosen = sorted(made, key=lambda one: -one.log_sum)
    together, each = lost * end_of_short(table), lost
    while chosen:
        more = float(np.exp(chosen[-1].log_sum - log_scale))
        if together + more > allowed:
            break
        together += more
        each += float(np.exp(chosen.pop().log_size - log_scale))
    return chosen, together, each


def add_products(
    chosen: Sequence[Product],
    table: MarkTable,
    values: NDArray[np.float32],
    *,
    log_scale: float,
) -> None:
    """Add products of all rows of their lengths, over ``exp(log_scale)``, to ``values`` (r,)."""
    blocks = []
    for characters, rows in table.lengths():
        own = [one for one in chosen if one.characters == characters]
        sums = [
            _Sum.of([one for one in own if one.crossed == crossed], log_scale)
            for crossed in (False, True)
        ]
        if own:
            last = piece_lengths(characters)[1]
            blocks += [(sums[0], sums[1], last, part) for part in parts(rows)]

    def work(block: tuple[_Sum, _Sum, int, slice]) -> None:
        straight, crossed, last, part = block
        left, right = table.pieces[0][part], table.pieces[1][part]
        values[part] += straight(left.astype(np.intp), right.astype(np.intp))
        if crossed.weights.size:
            ahead, behind = exchanged(left, right, last)
            values[part] += crossed(ahead, behind) * (ahead != left)

    with ThreadPoolExecutor(THREADS) as threads:
        list(threads.map(work, blocks))


@dataclass(frozen=True, slots=True)
class _Sum:
    """Products side by side, so that all are looked up together."""

    left: NDArray[np.float32]
    """(strings, k)"""
    right: NDArray[np.float32]
    weights: NDArray[np.float32]
    """(k,)"""

    @classmethod
    def of(cls, chosen: Sequence[Product], log_scale: float) -> _Sum:
        """Over ``exp(log_scale)``, without what is too small for single precision."""
        if not chosen:
            none = np.zeros((1, 0), dtype=np.float32)
            return cls(none, none, none[0])
        weights = np.exp([one.log_size - log_scale for one in chosen])
        least = LEAST_SHARE / np.sqrt(np.maximum(weights / LARGEST, LEAST_SHARE))
        sides = []
        for side, factors in (
            ([one.left for one in chosen], np.ones_like(weights)),
            ([one.right for one in chosen], weights),
        ):
            table = np.empty((side[0].size, len(side)), dtype=np.float32)
            for column, states in enumerate(side):
                shares = states * (1 / states.max())
                shares *= shares >= np.float32(least[column])
                np.multiply(shares, np.float32(factors[column]), out=table[:, column])
            sides.append(table)
        return cls(sides[0], sides[1], np.ones(len(chosen), dtype=np.float32))

    def __call__(self, left: NDArray[np.intp], right: NDArray[np.intp]) -> NDArray[np.float32]:
        """Sum for rows with these pieces."""
        products = self.left.take(left, axis=0, mode="clip")  # All are inside: skips the check.
        products *= self.right.take(right, axis=0, mode="clip")
        return np.asarray(products @ self.weights)


def finished(
    values: NDArray[np.float32], table: MarkTable, *, odds: ChannelOdds
) -> NDArray[np.float32]:
    """Divide likelihoods of short rows by one more than the odds of all their events; their logs.

    Parameters
    ----------
    values : ndarray of float32, (short rows,)
        Changed.
    """
    logs = np.empty_like(values)

    def work(part: slice) -> None:
        values[part] /= event_norm(table, part, odds=odds)
        with np.errstate(divide="ignore"):
            np.log(values[part], out=logs[part])

    with ThreadPoolExecutor(THREADS) as threads:
        list(threads.map(work, parts(slice(0, values.size))))
    return logs


def event_norm(
    table: MarkTable, part: slice | NDArray[np.int64], *, odds: ChannelOdds
) -> NDArray[np.float32]:
    """One more than the odds of all events of some rows."""
    norm = table.characters[part] * np.float32(odds.wrong_die)
    norm += table.turnable[part] * np.float32(odds.turned_die)
    norm += table.unequal_pairs[part] * np.float32(odds.swap)
    return np.asarray(norm + np.float32(1.0), dtype=np.float32)
