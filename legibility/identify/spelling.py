"""Marks of two animals that differ only in how they are written."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import LONGEST_ROW
from legibility.identify.animals import Registry
from legibility.identify.marktable import BASE, MarkTable
from legibility.identify.textcolumn import TextColumn

NAMED: Final = 20
"""Choice: most pairs named one by one."""


TWINS: Final = "cannot be told apart by characters alone"
"""How a notice on two such marks ends."""


def spelling_twins(registry: Registry, written: TextColumn | None) -> tuple[str, ...]:
    """Notices of animals that characters alone cannot tell apart: ``HD/782`` and ``HD 782``.

    A mark without ``/`` says nothing of rows, so that it may stand in the ear as the other one
    does.

    Parameters
    ----------
    registry : Registry
    written : TextColumn, optional
        Marks as the file writes them, where they differ.
    """
    pairs = same_characters(registry.table)

    def said(index: int) -> str:
        text = written[index] if written is not None else ""
        return f"{registry.animal_id(index)} ({text or registry.mark(index)})"

    notices = [f"{said(int(a))} and {said(int(b))} {TWINS}" for a, b in pairs[:NAMED]]
    if len(pairs) > NAMED:
        notices.append(f"{len(pairs) - NAMED} more pairs differ only in how they are written")
    return tuple(notices)


def same_characters(table: MarkTable) -> NDArray[np.int64]:
    """(k, 2) animals with a mark of two rows, and those whose mark has the same in one row."""
    two = np.flatnonzero(table.second_row >= 0)
    one = np.flatnonzero(table.second_row < 0)
    first, second = table.first_row[two], table.second_row[two]
    length = table.characters[second].astype(np.uint64)
    fits = table.characters[first].astype(np.int64) + length.astype(np.int64) <= LONGEST_ROW
    two, first, second, length = two[fits], first[fits], second[fits], length[fits]
    if not two.size or not one.size:
        return np.zeros((0, 2), dtype=np.int64)
    together = table.row_keys[first] * np.uint64(BASE) ** length + table.row_keys[second]
    alone = table.row_keys[table.first_row[one]]
    order = np.argsort(alone, kind="stable")
    start = np.searchsorted(alone[order], together)
    stop = np.searchsorted(alone[order], together, side="right")
    found = np.flatnonzero(stop > start)
    pairs = [
        (int(two[k]), int(one[order[place]]))
        for k in found
        for place in range(int(start[k]), int(stop[k]))
    ]
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)
