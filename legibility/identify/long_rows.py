"""The rows of more than six characters of a large registry that can matter, exactly.

A long row has pieces between its first and its last one. Its likelihood is a sum over the numbers
of cells k, k' used before and after them, and has a bound that is one product of numbers looked up
in :mod:`legibility.identify.pieces`:

    sum_kk' L_k M_kk' R_k'  <=  (sum_k L_k) (max_k sum_k' M_kk') (max_k' R_k')

Rows whose bounds together stay below what may be left out are passed over; the others are computed
character by character.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.identify.marktable import LONGEST_PIECE, MarkTable, exchanged, piece_lengths
from legibility.identify.pieces import SeenRow
from legibility.identify.short_rows import (
    BLOCK,
    LARGEST,
    LEAST_SHARE,
    THREADS,
    end_of_short,
)

ROUNDING: Final = 1.001
"""Arithmetic: bounds are raised by this, which single precision cannot take away."""
LEAST: Final = 1e-30
"""Arithmetic: smaller factors are raised to this, so that few products fall below the least single,
and those are far too small to matter."""


@dataclass(frozen=True, slots=True)
class Factors:
    """Largest weights of pieces by one seen row."""

    log_weight: float
    """Of seeing it so."""
    log_size: float
    """Log of a bound that no row is above."""
    left: NDArray[np.float64]
    """(36**3,)"""
    middle: tuple[NDArray[np.float64], ...]
    """(36**k,) of 0, 1, 2 characters."""
    right: NDArray[np.float64]
    """(36**3,)"""


def factors(weight: float, row: SeenRow, table: MarkTable) -> Factors:
    """Largest weights by one seen row; ``weight`` is the log of that of seeing it so."""
    left, right = row.left[LONGEST_PIECE], row.right[LONGEST_PIECE]
    first = (left.intact + left.one_event).sum(axis=0)
    last = (right.intact + right.one_event).max(axis=0)
    between = len(piece_lengths(int(table.characters[-1]))) - 2
    most = max(float(one.max()) for one in row.middle)
    size = weight + float(np.log(first.max()) + np.log(max(last.max(), 1.0)))
    size += between * float(np.log(max(most, 1.0)))
    return Factors(weight, size, first, row.middle, last)


def bounds(
    made: Sequence[Factors], table: MarkTable, *, swap: float, log_scale: float
) -> NDArray[np.float32]:
    """Most that the likelihood of each long row can be, over ``exp(log_scale)``.

    Parameters
    ----------
    made : sequence of Factors
        By each seen row.
    table : MarkTable
    swap : float
        Odds of an exchange of two neighbours.
    log_scale : float

    Returns
    -------
    ndarray of float32, (long rows,)
    """
    begin = end_of_short(table)
    values = np.zeros(table.row_keys.size - begin, dtype=np.float32)
    ready = [_ready(one, log_scale) for one in made]
    blocks = []
    for characters in np.unique(table.characters[begin:]):
        start, stop = np.searchsorted(table.characters, [characters, characters + 1])
        lengths = piece_lengths(int(characters))
        blocks += [
            (lengths, slice(s, min(s + BLOCK, int(stop))))
            for s in range(int(start), int(stop), BLOCK)
        ]

    def work(block: tuple[tuple[int, ...], slice]) -> None:
        lengths, part = block
        short = [codes[part] for codes in table.pieces[: len(lengths)]]
        straight = [codes.astype(np.intp) for codes in short]
        ways = [(straight, 1.0)]
        for cut in range(len(lengths) - 1):
            pair = exchanged(short[cut], short[cut + 1], lengths[cut + 1])
            ways.append(([*straight[:cut], *pair, *straight[cut + 2 :]], swap))
        total = values[part.start - begin : part.stop - begin]
        for left, middle, right in ready:
            tables = (left, *(middle[length] for length in lengths[1:-1]), right)
            for codes, share in ways:
                product = np.float32(share) * tables[0].take(codes[0], mode="clip")
                for numbers, code in zip(tables[1:], codes[1:], strict=True):
                    product *= numbers.take(code, mode="clip")
                total += product

    with ThreadPoolExecutor(THREADS) as threads:
        list(threads.map(work, blocks))
    return values


def that_matter(
    most: NDArray[np.float32], allowed: float
) -> tuple[NDArray[np.int64], float, float]:
    """Rows that cannot be passed over.

    Parameters
    ----------
    most : ndarray of float32, (n,)
        Bounds.
    allowed : float
        Most that the bounds of the others may be together.

    Returns
    -------
    rows : ndarray of int64
    left_out : float
        What the bounds of the others are together.
    largest : float
        The largest of them.
    """
    rows = np.flatnonzero(most > allowed / most.size)
    left_out = max(0.0, float(most.sum(dtype=np.float64) - most[rows].sum(dtype=np.float64)))
    ordered = rows[np.argsort(most[rows], kind="stable")]
    sums = left_out + np.cumsum(most[ordered], dtype=np.float64)
    passed = int(np.searchsorted(sums, allowed, side="right"))
    if passed:
        left_out, largest = float(sums[passed - 1]), float(most[ordered[passed - 1]])
    else:
        largest = min(left_out, allowed / most.size)
    return np.sort(ordered[passed:]), left_out, largest


def _ready(
    one: Factors, log_scale: float
) -> tuple[NDArray[np.float32], tuple[NDArray[np.float32], ...], NDArray[np.float32]]:
    """Over the scale, in single precision, raised by what that may lose."""
    scaled = one.left * (ROUNDING * float(np.exp(one.log_weight - log_scale)))
    return (
        np.maximum(scaled, LARGEST * LEAST_SHARE).astype(np.float32),
        tuple(np.maximum(middle, LEAST).astype(np.float32) for middle in one.middle),
        np.maximum(one.right, LEAST).astype(np.float32),
    )
