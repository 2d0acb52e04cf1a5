"""The rows of more than six characters of a large registry that can matter, exactly.

A long row has pieces between its first and its last one. Its likelihood is a sum over the numbers
of cells k, k' used before and after them, and has a bound that is one product of numbers looked up
in :mod:`legibility.identify.pieces`:

    sum_kk' L_k M_kk' R_k'  <=  (sum_k u_k L_k) (max_k sum_k' M_kk' / (u_k v_k')) (max_k' v_k' R_k')

for any positive u, v; with several pieces between, the middle factor is a product of such maxima.
The ones taken make a cell too many before a piece as dear as one too few, and a place beside its
own dearer for the pieces between. Rows whose bounds together stay below what may be left out are
passed over; the others are computed character by character.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.identify.emissions import RowCells
from legibility.identify.marktable import LONGEST_PIECE, MarkTable, exchanged, piece_lengths
from legibility.identify.pieces import SeenRow
from legibility.identify.short_rows import (
    BLOCK,
    LARGEST,
    LEAST_SHARE,
    THREADS,
    end_of_short,
    parts,
)
from legibility.identify.views import View

LEAST_KEPT: Final = 1024
"""Choice: rows computed at least, so that those that are listed are among them."""
STEP_BITS: Final = 20
"""Choice: bounds are cut off at eighths of a power of two; singles have 23 bits below that."""
STEEPEST: Final = 30.0
"""Choice: most that a cell more than characters is multiplied by."""
BESIDE: Final = 3.0
"""Choice: how much dearer each place beside its own is for a piece between."""
ROUNDING: Final = 1.001
"""Arithmetic: bounds are raised by this, which single precision cannot take away."""
LEAST: Final = 1e-30
"""Arithmetic: smaller factors are raised to this, so that few products fall below the least single,
and those are far too small to matter."""


@dataclass(frozen=True, slots=True)
class Factors:
    """Largest weights of pieces by one seen row."""

    log_weight: NDArray[np.float64]
    """Of seeing marks so, by their number of characters."""
    log_size: float
    """Log of a bound that no row is above."""
    left: NDArray[np.float64]
    """(36**3,)"""
    middle: dict[tuple[int, bool, bool], NDArray[np.float64]]
    """(36**length,) by the length, and whether the piece is the first or the last one between."""
    right: NDArray[np.float64]
    """(36**3,)"""
    slope: float
    """What a cell more than characters is multiplied by."""
    cells: int


def factors(view: View, row: SeenRow, table: MarkTable) -> Factors:
    """Largest weights by one seen row.

    Parameters
    ----------
    view : View
        With ``jumps`` the largest of them is taken for each.
    row : SeenRow
        Without jumps.
    """
    left, right = row.left[LONGEST_PIECE], row.right[LONGEST_PIECE]
    cells = left.intact.shape[0] - 1
    slope = _slope(view.cells)
    ahead = np.arange(cells + 1.0) - LONGEST_PIECE
    behind = np.arange(cells + 1.0) - (cells - LONGEST_PIECE)
    first = (slope**ahead * BESIDE ** np.abs(ahead)) @ (left.intact + left.one_event)
    last = (slope**-behind * BESIDE ** np.abs(behind))[:, None] * (right.intact + right.one_event)
    middle = {}
    long = [n for n, _ in table.lengths() if n > 2 * LONGEST_PIECE]
    for characters in long:
        for key in between(characters):
            length, is_first, is_last = key
            powers = np.arange(cells + 1.0)[:, None] - np.arange(cells + 1.0) - length
            weights = slope**powers
            if is_first:
                weights = weights / BESIDE ** np.abs(ahead)
            if is_last:
                weights = weights / BESIDE ** np.abs(behind)[:, None]
            middle[key] = np.einsum("ji,jin->in", weights, row.middle[length]).max(axis=0)
    weight = view.log_weight
    if view.jumps is not None:
        weight = weight + float(np.log(view.jumps.max()))
    right_most = last.max(axis=0)
    most = max(1.0, *(float(one.max()) for one in middle.values()))
    size = float(weight[long].max())
    size += float(np.log(first.max() * max(1.0, float(right_most.max()))))
    size += len(between(long[-1])) * float(np.log(most))
    size += max(0, long[-1] - cells) * float(np.log(slope))
    return Factors(weight, size, first, middle, right_most, slope, cells)


def between(characters: int) -> list[tuple[int, bool, bool]]:
    """Lengths of the pieces between the first and the last one of a row, and whether each is the
    first and the last one of them."""
    lengths = piece_lengths(characters)[1:-1]
    return [(length, place == 0, place == len(lengths) - 1) for place, length in enumerate(lengths)]


def _slope(cells: RowCells) -> float:
    """So that a cell too many is as dear as one too few, for characters that are not those seen."""
    there = np.flatnonzero(cells.ratios.any(axis=1))
    if not there.size:
        return 1.0
    typical = float(np.exp(np.mean(np.log(cells.ratios[there, :N_CHARACTERS]))))
    extra, missed = float(cells.steps[there].max()), float(cells.missed.min())
    return float(np.clip(np.sqrt(missed / (typical * extra)), 1.0, STEEPEST))


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
    for characters, rows in table.lengths():
        if characters > 2 * LONGEST_PIECE:
            blocks += [(characters, part) for part in parts(rows)]

    def work(block: tuple[int, slice]) -> None:
        characters, part = block
        lengths = piece_lengths(characters)
        short = [codes[part] for codes in table.pieces[: len(lengths)]]
        straight = [codes.astype(np.intp) for codes in short]
        ways = [(straight, 1.0)]
        for cut in range(len(lengths) - 1):
            pair = exchanged(short[cut], short[cut + 1], lengths[cut + 1])
            ways.append(([*straight[:cut], *pair, *straight[cut + 2 :]], swap))
        total = values[part.start - begin : part.stop - begin]
        for one, (left, middle, right) in zip(made, ready, strict=True):
            if not np.isfinite(one.log_weight[characters]):
                continue
            seen = float(np.exp(one.log_weight[characters] - one.log_weight.max()))
            tables = (left, *(middle[key] for key in between(characters)), right)
            steep = one.slope ** (characters - one.cells)
            for codes, share in ways:
                product = np.float32(share * steep * seen) * tables[0].take(codes[0], mode="clip")
                for numbers, code in zip(tables[1:], codes[1:], strict=True):
                    product *= numbers.take(code, mode="clip")
                total += product

    with ThreadPoolExecutor(THREADS) as threads:
        list(threads.map(work, blocks))
    return values


def likeliest(most: NDArray[np.float32]) -> NDArray[np.int64]:
    """A few rows with large bounds; the one with the largest is among them."""
    return np.array(
        [start + int(most[start : start + BLOCK].argmax()) for start in range(0, most.size, BLOCK)]
    )


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
        Most that one of them is.
    """
    least = allowed / most.size
    rows = np.flatnonzero(most > least)
    if rows.size < LEAST_KEPT:
        kept = min(LEAST_KEPT, most.size)
        least = float(np.partition(most, most.size - kept)[most.size - kept])
        rows = np.flatnonzero(most >= least)
        return rows, float(np.delete(most, rows).sum(dtype=np.float64)), least
    some = most[rows]
    small = max(0.0, float(most.sum(dtype=np.float64)) - float(some.sum(dtype=np.float64)))
    # The upper bits of a positive single are a number that grows with its logarithm.
    steps = some.view(np.int32) >> STEP_BITS
    lowest = int(steps.min())
    sums = small + np.cumsum(np.bincount(steps - lowest, weights=some))
    before = np.cumsum(np.bincount(steps - lowest))
    passed = int(np.searchsorted(sums, allowed, side="right"))
    passed = min(passed, int(np.searchsorted(before, rows.size - LEAST_KEPT, side="right")))
    kept_rows = rows[steps - lowest >= passed]
    if not passed:
        return kept_rows, small, least
    limit = np.array([lowest + passed << STEP_BITS], dtype=np.int32).view(np.float32)
    return kept_rows, float(sums[passed - 1]), float(limit[0])


def _ready(
    one: Factors, log_scale: float
) -> tuple[
    NDArray[np.float32], dict[tuple[int, bool, bool], NDArray[np.float32]], NDArray[np.float32]
]:
    """Over the scale, in single precision, raised by what that may lose."""
    scaled = one.left * (ROUNDING * float(np.exp(one.log_weight.max() - log_scale)))
    return (
        np.maximum(scaled, LARGEST * LEAST_SHARE).astype(np.float32),
        {key: np.maximum(one.middle[key], LEAST).astype(np.float32) for key in one.middle},
        np.maximum(one.right, LEAST).astype(np.float32),
    )
