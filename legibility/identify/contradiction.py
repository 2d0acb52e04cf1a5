"""Where a registered mark differs from what was surely read, and marks of the same characters."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from legibility.alphabet import LOOK_ALIKE, ROW_SEPARATOR, split_mark
from legibility.containers import CellReading, PlaceDiffers, Reading
from legibility.identify.animals import Registry
from legibility.identify.marktext import (
    best_character,
    best_hypothesis,
    is_empty,
    shape_probability,
)
from legibility.marks.alignment import align

SURE: Final = 0.95
"""Contract: a place read with this probability is not contradicted without saying so."""
LEAST_PART: Final = 3
"""Choice: characters of a row that alone are worth naming the mark it is a part of."""
BOTH_EARS: Final = " + "
"""Between the two marks of :meth:`legibility.identify.animals.Registry.shown_mark`."""
NAMED: Final = 3
"""Choice: most marks of the same characters that are named."""


def differing_places(reading: Reading, mark: str) -> tuple[PlaceDiffers, ...]:
    """Places that were surely read as something else than a mark has there.

    Parameters
    ----------
    reading : Reading
    mark : str
        Rows do not matter, nor do O for 0 and I for 1. Of two ears (``A12 + B34``) the one that
        differs less.

    Returns
    -------
    tuple of PlaceDiffers
        In the order of the mark as read; empty when nothing contradicts it.
    """
    hypothesis = best_hypothesis(reading)
    if hypothesis is None:
        return ()
    cells = [c for row in hypothesis.as_written().rows for c in row if not is_empty(c)]
    read = "".join(best_character(cell)[0] for cell in cells)
    either = (_differing(cells, read, one) for one in mark.split(BOTH_EARS))
    return min(either, key=len)


def _differing(cells: Sequence[CellReading], read: str, mark: str) -> tuple[PlaceDiffers, ...]:
    wanted = mark.replace(ROW_SEPARATOR, "")
    found = []
    for own, seen in align(_plain(wanted), _plain(read)):
        if seen is None or (own is not None and _plain(wanted[own]) == _plain(read[seen])):
            continue
        probability = shape_probability(cells[seen])
        if probability >= SURE:
            there = wanted[own] if own is not None else ""
            found.append(PlaceDiffers(seen + 1, read[seen], probability, there))
    return tuple(found)


def same_characters(text: str, registry: Registry) -> tuple[str, ...]:
    """Sentences on registered marks of the same characters in other rows, or of a part of them.

    Parameters
    ----------
    text : str
        Mark as read, without places that could not be read.
    registry : Registry

    Examples
    --------
    "AN7998 (Bell 7) has the same characters in one row", "782 (Bell 9) has the characters of one
    row".
    """
    try:
        rows = split_mark(text)
    except ValueError:
        return ()
    orders = {"".join(rows): "the same characters"}
    if len(rows) == 2:
        orders[rows[1] + rows[0]] = "the same characters, the rows in the other order"
        for row in rows:
            if len(row) >= LEAST_PART:
                orders.setdefault(row, f"the characters of the row {row} alone")
    said = []
    for characters, how in orders.items():
        for index in registry.of_characters(characters):
            mark = registry.mark(index)
            if mark == text:
                continue
            whole = len(characters) == sum(map(len, rows)) and len(rows) == 2
            stands = " in one row" if whole and ROW_SEPARATOR not in mark else ""
            said.append(f"{mark} ({registry.animal_id(index)}) has {how}{stands}")
    return tuple(said[:NAMED])


def _plain(text: str) -> str:
    """O and I written 0 and 1, which many die sets do not tell apart."""
    return "".join(LOOK_ALIKE[c] if c in "OI" else c for c in text)
