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
"""Choice: rows at a time, so that their numbers fit the processor's cache."""
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
    left: NDArray[np.float64]
    """(36**k,) of first pieces."""
    right: NDArray[np.float64]
    """(36**k,) of second pieces."""
    crossed: bool
    """Whether it is of rows with the characters at the cut exchanged."""


def products(weight: float, row: SeenRow, table: MarkTable, *, odds: ChannelOdds) -> list[Product]:
    """All summands by one seen row.

    Parameters
    ----------
    weight : float
        Log; of seeing it so.
    row : SeenRow
    table : MarkTable
    odds : ChannelOdds
    """
    result = []
    for characters in np.unique(table.characters[: end_of_short(table)]):
        first, last = piece_lengths(int(characters))
        left, right = row.left[first], row.right[last]
        both = left.intact + left.one_event
        for k in range(both.shape[0]):
            for a, b, share, crossed in (
                (both[k], right.intact[k], 1.0, False),
                (left.intact[k], right.one_event[k], 1.0, False),
                (left.intact[k], right.intact[k], odds.swap if last else 0.0, True),
            ):
                largest = float(a.max()) * float(b.max()) * share
                if largest > 0.0:
                    size = weight + float(np.log(largest))
                    result.append(Product(int(characters), size, a, b, crossed))
    return result


def end_of_short(table: MarkTable) -> int:
    """How many of the different rows have up to six characters; they come first."""
    return int(np.searchsorted(table.characters, 2 * LONGEST_PIECE, side="right"))


def needed(
    made: Sequence[Product], table: MarkTable, *, log_scale: float, allowed: float
) -> tuple[list[Product], float, float]:
    """Products that may not be left out.

    Parameters
    ----------
    made : sequence of Product
        Largest first.
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
    counts = np.bincount(table.characters)
    lost = 2 * LEAST_SHARE * LARGEST * len(made)  # See _ready().
    chosen, together, each = list(made), lost * end_of_short(table), lost
    while chosen:
        size = float(np.exp(chosen[-1].log_size - log_scale))
        more = size * float(counts[chosen[-1].characters])
        if together + more > allowed:
            break
        together += more
        each += size
        chosen.pop()
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
    for characters in sorted({one.characters for one in chosen}):
        ready = [_ready(one, log_scale) for one in chosen if one.characters == characters]
        start, stop = np.searchsorted(table.characters, [characters, characters + 1])
        last = piece_lengths(characters)[1]
        blocks += [
            (ready, last, slice(s, min(s + BLOCK, int(stop))))
            for s in range(int(start), int(stop), BLOCK)
        ]

    def work(block: tuple[Sequence[_Ready], int, slice]) -> None:
        ready, last, part = block
        left, right = table.pieces[0][part], table.pieces[1][part]
        straight = (left.astype(np.intp), right.astype(np.intp))
        crossed = straight
        if any(one.crossed for one in ready):
            crossed = exchanged(left, right, last)
        total = values[part]
        sums = {False: total, True: np.zeros_like(total)}
        for one in ready:
            a, b = crossed if one.crossed else straight
            product = one.left.take(a, mode="clip")  # All are inside; this skips the check.
            product *= one.right.take(b, mode="clip")
            sums[one.crossed] += product
        sums[True] *= crossed[0] != straight[0]
        total += sums[True]

    with ThreadPoolExecutor(THREADS) as threads:
        list(threads.map(work, blocks))


@dataclass(frozen=True, slots=True)
class _Ready:
    left: NDArray[np.float32]
    right: NDArray[np.float32]
    crossed: bool


def _ready(one: Product, log_scale: float) -> _Ready:
    """Without what is too small for single precision."""
    size = float(np.exp(one.log_size - log_scale))
    least = LEAST_SHARE / np.sqrt(max(size / LARGEST, LEAST_SHARE))
    left, right = one.left / one.left.max(), one.right / one.right.max()
    left[left < least] = 0.0
    right[right < least] = 0.0
    return _Ready(left.astype(np.float32), (right * size).astype(np.float32), one.crossed)
