"""Which cell each claim's characters belong to, and what each cell adds to the log ratio."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import (
    CHARACTERS,
    N_CLASSES,
    NO_CHARACTER,
    ROW_SEPARATOR,
    index_of,
    split_mark,
)
from legibility.containers import LogLikelihood


@dataclass(frozen=True, slots=True)
class CharacterPart:
    """One cell: what either claim has there and what the readers say of the two."""

    row: int
    cell: int
    first: str
    """Character of the first claim; empty where that claim has none."""
    second: str
    differences: Mapping[str, float]
    """Reader -> log-probability of the first's less the second's."""


def align_row(
    logp: LogLikelihood, characters: Sequence[int], *, extra: float, missed: float
) -> tuple[float, tuple[int, ...]]:
    """The most probable way to lay a row of characters over cells, in order.

    Parameters
    ----------
    logp : (cells, 37)
    characters : sequence of int
        Classes of the row of the mark.
    extra, missed : float
        Price of a cell without a character, and of a character without a cell.

    Returns
    -------
    score : float
        Log-likelihood of that way, as a ratio to cells of which nothing is known.
    classes : tuple of int, one a cell
        36 where the mark has no character.
    """
    cells, length = len(logp), len(characters)
    value = np.asarray(logp, dtype=np.float64) + math.log(N_CLASSES)
    score = np.full((cells + 1, length + 1), -np.inf)
    score[0, 0] = 0.0
    came = np.zeros((cells + 1, length + 1), dtype=np.int8)
    for i in range(cells + 1):
        for j in range(length + 1):
            steps = [(score[i, j], 0)] if i == j == 0 else []
            if i and j:
                paired = math.log1p(-missed) + value[i - 1, characters[j - 1]]
                steps.append((score[i - 1, j - 1] + paired, 1))
            if i:
                steps.append((score[i - 1, j] + math.log(extra) + value[i - 1, NO_CHARACTER], 2))
            if j:
                steps.append((score[i, j - 1] + math.log(missed), 3))
            score[i, j], came[i, j] = max(steps, key=lambda step: step[0])
    classes = [NO_CHARACTER] * cells
    i, j = cells, length
    while i or j:
        move = int(came[i, j])
        if move == 1:
            classes[i - 1] = characters[j - 1]
        i, j = i - (move in (1, 2)), j - (move in (1, 3))
    return float(score[cells, length]), tuple(classes)


def align_mark(
    rows: Sequence[LogLikelihood], mark: str, *, extra: float, missed: float
) -> tuple[tuple[int, ...], ...]:
    """Class of every cell of every seen row under a mark, rows placed as fits best in order.

    Parameters
    ----------
    rows : sequence of (cells, 37)
    mark : str
        ``AB/123``; written in one row it is laid in one or broken, as fits best.
    """
    ways = [mark]
    if ROW_SEPARATOR not in mark and len(rows) > 1:
        ways += [mark[:k] + ROW_SEPARATOR + mark[k:] for k in range(1, len(mark))]
    laid = (_align_written(rows, way, extra=extra, missed=missed) for way in ways)
    return max(laid, key=lambda one: one[0])[1]


def _align_written(
    rows: Sequence[LogLikelihood], mark: str, *, extra: float, missed: float
) -> tuple[float, tuple[tuple[int, ...], ...]]:
    parts = [[index_of(c) for c in row] for row in split_mark(mark)]
    seen = range(len(rows))
    empty = [tuple([NO_CHARACTER] * len(row)) for row in rows]
    blank = [float((row[:, NO_CHARACTER] + math.log(N_CLASSES)).sum()) for row in rows]
    laid = {
        (r, p): align_row(rows[r], parts[p], extra=extra, missed=missed)
        for r in seen
        for p in range(len(parts))
    }
    best, chosen = -math.inf, list(empty)
    count = min(len(parts), len(rows))
    for places in permutations(seen, count):
        if list(places) != sorted(places):
            continue
        for picked in permutations(range(len(parts)), count):
            if list(picked) != sorted(picked):
                continue
            pairs = dict(zip(places, picked, strict=True))
            total = sum(laid[r, pairs[r]][0] if r in pairs else blank[r] for r in seen)
            if total > best:
                best = total
                chosen = [laid[r, pairs[r]][1] if r in pairs else empty[r] for r in seen]
    return best, tuple(chosen)


def character_parts(
    rows: Sequence[Mapping[str, LogLikelihood]],
    marks: tuple[str, str],
    *,
    readers: Sequence[str],
    extra: float,
    missed: float,
) -> tuple[CharacterPart, ...]:
    """What every cell says of two marks, reader by reader.

    Parameters
    ----------
    rows : sequence of mapping of reader to (cells, 37)
        The marks are laid over the cells by the first of ``readers``.
    """
    laid = [
        align_mark([row[readers[0]] for row in rows], mark, extra=extra, missed=missed)
        for mark in marks
    ]
    parts = []
    for r, row in enumerate(rows):
        for c, (a, b) in enumerate(zip(laid[0][r], laid[1][r], strict=True)):
            parts.append(
                CharacterPart(
                    row=r,
                    cell=c,
                    first=_written(a),
                    second=_written(b),
                    differences={
                        reader: _difference(row.get(reader), c, a, b) for reader in readers
                    },
                )
            )
    return tuple(parts)


def _difference(logp: NDArray[np.float64] | None, cell: int, first: int, second: int) -> float:
    return 0.0 if logp is None else float(logp[cell, first] - logp[cell, second])


def _written(index: int) -> str:
    return "" if index == NO_CHARACTER else CHARACTERS[index]
