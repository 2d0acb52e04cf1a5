"""The second row of a mark: beside a first one, or hidden in one that was laid across both."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.locate.rows import HEIGHT_RATIO, Row
from legibility.pipeline.seen_rows import (
    PRESENT,
    Picture,
    SeenRow,
    clearness,
    moved_up,
    place_evidence,
    posed_row,
    refined,
    strip_to_photo,
    up,
    view_rows,
)

SECOND_ROW_EVIDENCE: Final = 0.6
"""Choice: what a second row must show; about one clear character."""
SECOND_ROW_CLEAR: Final = 0.55
"""Choice: presence times certainty that one of its characters must reach; wrinkles sum up to a
row, too, but none of them is clear."""
SECOND_ROW_PRESENT: Final = 0.85
"""Choice: presence from which a character of a second row need not be so clear."""
SECOND_ROW_UNSURE: Final = 0.45
"""Choice: presence times certainty it must reach then: it may be one of two that look alike, and
the pose is not settled yet."""
SECOND_ROW_STEP: Final = 1.45
"""Choice: heights from the first row to a second one; the strip shows 1.1 to 1.8."""
BESIDE_STEPS: Final = (0.9, 2.2)
"""Choice: heights from one row's line to the middle of the other."""
BESIDE_TURN_DEG: Final = 15.0
"""Choice: turn between the two rows of a mark, which are pressed one after the other."""
PROBE_LENGTH: Final = 3.0
"""Choice: least length in heights that is searched for a second row."""
NARROW: Final = 0.65
"""Choice: width of a character in heights."""
STACKED_WIDTHS: Final = (0.4, 2.6)
"""Choice: width of two stacked rows in heights of their characters: one to three of them."""


def with_second_row(
    picture: Picture, first: SeenRow, *, beside: Sequence[Row] = ()
) -> tuple[SeenRow, ...]:
    """The row and, where there is one, its neighbour above or below, from top to bottom.

    Parameters
    ----------
    picture
    first : a row in its pose
    beside : row candidates in any pose; those that lie beside the first are tried, too
    """
    length = max(first.row.length_px, PROBE_LENGTH * first.row.height_px)
    probes = [
        replace(moved_up(first.row, side * SECOND_ROW_STEP), length_px=length)
        for side in (1.0, -1.0)
    ]
    probes += [_like(first.row, row) for row in beside if is_beside(first.row, row)]
    looked = view_rows(picture, tuple(probes))
    strongest = max(looked, key=lambda seen: place_evidence(seen.view.places))
    if place_evidence(strongest.view.places) < SECOND_ROW_UNSURE:
        return (first,)
    laid_again = refined(picture, (strongest,))
    beside_it = [seen for seen in (strongest, *laid_again) if apart(first, seen)]
    second = max(beside_it, key=lambda seen: place_evidence(seen.view.places), default=None)
    if second is None or not _is_row(second):
        return (first,)
    return (second, first) if _height_above(first.row, second.row) > 0 else (first, second)


def _is_row(seen: SeenRow) -> bool:
    """Whether a second row shows a character."""
    best = max(seen.view.places, key=clearness)
    clear = clearness(best)
    if place_evidence(seen.view.places) >= SECOND_ROW_EVIDENCE and clear >= SECOND_ROW_CLEAR:
        return True
    return best.presence >= SECOND_ROW_PRESENT and clear >= SECOND_ROW_UNSURE


def _height_above(first: Row, other: Row) -> float:
    """How far another row's middle lies above the first's line, in heights."""
    offset = np.array([other.x - first.x, other.y - first.y])
    return float(offset @ up(first.angle_deg)) / first.height_px


def is_beside(first: Row, other: Row) -> bool:
    """Whether a row candidate may be the other row of a mark of two."""
    turn = abs(math.remainder(other.angle_deg - first.angle_deg, 180.0))
    away = abs(_height_above(first, other))
    apart = math.hypot(other.x - first.x, other.y - first.y)
    reach = (first.length_px + other.length_px) / 2 + 2 * first.height_px
    ratio = other.height_px / first.height_px
    return (
        turn < BESIDE_TURN_DEG
        and BESIDE_STEPS[0] < away < BESIDE_STEPS[1]
        and apart < reach
        and 1 / HEIGHT_RATIO < ratio < HEIGHT_RATIO
    )


def _like(first: Row, other: Row) -> Row:
    """Another row in the pose of the first."""
    turned = abs(math.remainder(other.angle_deg - first.angle_deg, 360.0)) > 90.0
    upright = posed_row(other, 1) if turned else other
    return replace(upright, mirrored=first.mirrored)


def apart(first: SeenRow, second: SeenRow) -> bool:
    """Whether the second row, laid again, still lies beside the first and not upon it."""
    gap = math.hypot(first.row.x - second.row.x, first.row.y - second.row.y)
    return gap > 0.8 * min(first.row.height_px, second.row.height_px)


def stacked_rows(picture: Picture, rows: Sequence[SeenRow]) -> tuple[SeenRow, ...]:
    """The same dots as two short rows that stand across these ones.

    One character over another looks like a row of narrow ones, seen from the side. The way round
    of the rows is not known yet. Empty where the dots do not have the shape of such rows.
    """
    points, heights = _characters(rows)
    if not heights:
        return ()
    turned = math.remainder(rows[0].row.angle_deg + 90.0, 360.0)
    upwards, right = up(turned), up(turned - 90.0)
    height = float(np.mean(heights))
    low, high = (np.array([f(points @ upwards), f(points @ right)]) for f in (np.min, np.max))
    block = high - low + height * np.array([NARROW, 1.0])
    tall = float(block[0]) / (1 + SECOND_ROW_STEP)
    if not STACKED_WIDTHS[0] * tall < block[1] < STACKED_WIDTHS[1] * tall:
        return ()
    middle = (low + high) / 2 @ np.array([upwards, right])
    laid = [
        Row(
            spots=(),
            x=float(place[0]),
            y=float(place[1]),
            height_px=tall,
            length_px=max(0.0, float(block[1]) - NARROW * tall),
            angle_deg=turned,
            mirrored=False,
            bend_per_px=0.0,
            score=0.0,
        )
        for place in (middle + side * SECOND_ROW_STEP / 2 * tall * upwards for side in (1.0, -1.0))
    ]
    upper, lower = refined(picture, view_rows(picture, tuple(laid)))
    return (upper, lower) if apart(upper, lower) else ()


def _characters(rows: Sequence[SeenRow]) -> tuple[NDArray[np.float64], list[float]]:
    """(n, 2) centres in photo pixels and heights of the characters found."""
    points, heights = [], []
    for seen in rows:
        scale = float(np.linalg.norm(seen.strip.to_photo[:2, 1]))
        for place in seen.view.places:
            if place.presence >= PRESENT:
                points.append(strip_to_photo(seen.strip, place.box.x_center, place.box.y_center))
                heights.append(place.box.height_px * scale)
    return np.array(points, dtype=np.float64).reshape(-1, 2), heights
