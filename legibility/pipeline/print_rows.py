"""Print and handwriting: more rows, or longer ones, than a mark in an ear can have."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from legibility.locate.rectify import CHARACTER_PX, END_MARGIN, STRIP_WIDTH_PX
from legibility.locate.rows import Row
from legibility.pipeline.seen_rows import (
    Picture,
    SeenRow,
    moved_up,
    place_evidence,
    presence,
    up,
    view_rows,
)

PAGE_ROWS: Final = 4
"""Choice: a mark has one or two rows; this many parallel ones are print."""
PAGE_ROW_SPOTS: Final = 3
"""Choice: fewest characters of such a row."""
LONGEST_ROW: Final = 8.5
"""Half a character more than the longest row of a mark: one in which more are expected is print."""
LONG_ENOUGH: Final = 4.5
"""Choice: a row in which fewer characters are expected is not looked at beyond its ends."""
BEYOND: Final = 0.4
"""Choice: heights from the outermost character at which the next one can stand."""
BEYOND_LENGTH: Final = STRIP_WIDTH_PX / CHARACTER_PX - 2 * END_MARGIN
"""Heights that fill a strip at its usual scale: so much is looked at about the end of a row."""
CLEAR_BEYOND: Final = 1.5
"""Choice: what is seen beyond the ends of a long row must be so clear to be characters."""
CLEAR_LINE: Final = 2.0
"""Choice: what is seen above or below must be so clear to be a line."""
NEXT_LINES: Final = (1.4, 1.9)
"""Choice: heights to a line that may be the other row of a mark; strips show 0.35 more or less."""
FAR_LINE: Final = 2.5
"""Choice: heights to a line that is too far away for that."""
LINE_LENGTH: Final = 1.7
"""Choice: heights of a line that are searched; with the room at its ends, about six characters."""
LINE_CHARACTERS: Final = 2.5
"""Choice: fewest characters expected in another line."""
MARK_ROWS: Final = 2
"""Rows of a mark at most."""


def long_rows(rows: Sequence[Row]) -> list[Row]:
    """Row candidates that may be lines of print."""
    return [row for row in rows if len(row.spots) >= PAGE_ROW_SPOTS]


def is_page(rows: Sequence[Row]) -> bool:
    """Whether many rows of print lie parallel."""
    long = long_rows(rows)
    if len(long) < PAGE_ROWS:
        return False
    first = long[0]
    parallel = [
        row
        for row in long
        if abs(math.remainder(row.angle_deg - first.angle_deg, 180.0)) < 12.0
        and 1 / 1.6 < row.height_px / first.height_px < 1.6
    ]
    return len(parallel) >= PAGE_ROWS


def is_print(picture: Picture, rows: Sequence[SeenRow]) -> bool:
    """Whether the rows found, from top to bottom in one pose, are part of more print."""
    longer = any(_is_line_of_print(picture, row) for row in rows)
    return longer or _is_between_lines(picture, rows)


def _is_line_of_print(picture: Picture, seen: SeenRow) -> bool:
    """Whether a row holds more characters than a mark's, counting those beyond its ends."""
    found = presence(seen)
    if found > LONGEST_ROW:
        return True
    if found < LONG_ENOUGH:
        return False
    beyond = [_beyond(picture, seen.row, side) for side in (-1.0, 1.0)]
    expected, clear = np.sum(beyond, axis=0)
    return bool(clear >= CLEAR_BEYOND and found + expected > LONGEST_ROW)


def _is_between_lines(picture: Picture, rows: Sequence[SeenRow]) -> bool:
    """Whether the rows found and those above and below are more than a mark has."""
    top, bottom = (
        replace(row, length_px=min(row.length_px, LINE_LENGTH * row.height_px))
        for row in (rows[0].row, rows[-1].row)
    )
    if _shows_line(picture, moved_up(top, FAR_LINE), moved_up(bottom, -FAR_LINE)):
        return True
    found = len(rows) + _shows_line(picture, *(moved_up(top, step) for step in NEXT_LINES))
    if found != MARK_ROWS:
        return found > MARK_ROWS
    return _shows_line(picture, *(moved_up(bottom, -step) for step in NEXT_LINES))


def _shows_line(picture: Picture, *probes: Row) -> bool:
    """Whether one of the rows shows as many clear characters as a line of print."""
    return any(
        place_evidence(seen.view.places) >= CLEAR_LINE and presence(seen) >= LINE_CHARACTERS
        for seen in view_rows(picture, probes)
    )


def _beyond(picture: Picture, row: Row, side: float) -> tuple[float, float]:
    """Characters expected beyond one end of a row, and how clear they are together."""
    along = up(row.angle_deg - 90.0) * (side * row.length_px / 2)
    end = replace(
        row,
        x=row.x + float(along[0]),
        y=row.y + float(along[1]),
        length_px=BEYOND_LENGTH * row.height_px,
        bend_per_px=0.0,
    )
    (seen,) = view_rows(picture, (end,))
    outwards = side * (-1.0 if row.mirrored else 1.0)
    middle = (STRIP_WIDTH_PX - 1) / 2
    next_ones = [
        place
        for place in seen.view.places
        if outwards * (place.box.x_center - middle) > BEYOND * place.box.height_px
    ]
    return sum(place.presence for place in next_ones), place_evidence(next_ones)
