"""Where a registered mark differs from what was surely read, and marks of the same characters."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from legibility.alphabet import LOOK_ALIKE, ROW_SEPARATOR, index_of, split_mark
from legibility.containers import CellReading, PlaceDiffers, Reading
from legibility.identify.animals import Registry, respelled
from legibility.identify.marktext import (
    best_character,
    best_hypothesis,
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


def differing_places(reading: Reading, mark: str, *, prefix: str = "") -> tuple[PlaceDiffers, ...]:
    """Places that were surely read as something else than a mark has there.

    Parameters
    ----------
    reading : Reading
    mark : str
        Rows do not matter, nor do O for 0 and I for 1. Of two ears (``A12 + B34``) the one that
        differs less.
    prefix : str
        The herd's, which the list or the ear may leave out.

    Returns
    -------
    tuple of PlaceDiffers
        In the order of the mark as read; empty when nothing contradicts it.
    """
    hypothesis = best_hypothesis(reading)
    if hypothesis is None:
        return ()
    shown = hypothesis.as_written()
    way = float(np.exp(min(0.0, hypothesis.logp)))
    places = []
    for row, bare in zip(shown.rows, hypothesis.rows, strict=True):
        for cell, alone in zip(row, bare, strict=True):
            if not cell.is_empty:
                character, _ = best_character(cell)
                places.append(
                    (character, max(shape_probability(cell), way * _of(alone, character)))
                )
    marks = mark.split(BOTH_EARS)
    if prefix:
        marks += [respelled(one, prefix) for one in marks]
    return min((_differing(places, one) for one in marks), key=len)


def _of(cell: CellReading, character: str) -> float:
    """Probability of a character or its look-alike before it counts how marks are written."""
    twin = LOOK_ALIKE.get(character)
    alike = [index_of(one) for one in (character, twin) if one]
    return float(np.exp(cell.logp[alike]).sum())


def _differing(places: Sequence[tuple[str, float]], mark: str) -> tuple[PlaceDiffers, ...]:
    """By the characters read, each with its probability.

    A character too many or too few counts whatever its probability.
    """
    wanted, read = mark.replace(ROW_SEPARATOR, ""), "".join(c for c, _ in places)
    found = []
    for own, seen in align(_plain(wanted), _plain(read)):
        there = "" if own is None else wanted[own]
        if seen is None:
            found.append(PlaceDiffers((own or 0) + 1, "", 1.0, there, mark))
        elif not there or (_plain(there) != _plain(read[seen]) and places[seen][1] >= SURE):
            found.append(PlaceDiffers(seen + 1, read[seen], places[seen][1], there, mark))
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
            both = (registry.mark(index), registry.right_mark(index))
            mark = next(m for m in both if m.replace(ROW_SEPARATOR, "") == characters)
            if mark == text:
                continue
            whole = len(characters) == sum(map(len, rows)) and len(rows) == 2
            stands = " in one row" if whole and ROW_SEPARATOR not in mark else ""
            said.append(f"{mark} ({registry.animal_id(index)}) has {how}{stands}")
    return tuple(said[:NAMED])


def _plain(text: str) -> str:
    """O and I written 0 and 1, which many die sets do not tell apart."""
    return "".join(LOOK_ALIKE[c] if c in "OI" else c for c in text)
