"""The photo with what was located drawn on it: labelled, and legible without telling colours."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np

from legibility.containers import (
    CellReading,
    ColorImage,
    Hypothesis,
    Points,
    Reading,
    RowStrip,
    Spot,
)
from legibility.probability import percent
from legibility.report.record import best_character

SURE: Final = (0, 158, 115)
"""Bluish green of the palette of Okabe and Ito 2008, distinguishable with any colour vision."""

UNSURE: Final = (230, 159, 0)
"""Orange of the same palette."""

SPOT: Final = (86, 180, 233)
"""Sky blue of the same palette."""

WHITE: Final = (255, 255, 255)
BLACK: Final = (0, 0, 0)

FONT: Final = cv2.FONT_HERSHEY_SIMPLEX
SMALLEST_TEXT: Final = 0.5
"""Choice: letters about 11 pixels high can still be read."""
LARGEST_TEXT: Final = 1.2
"""Choice: larger letters would hide too much of the photo."""

SURE_PROBABILITY: Final = 0.9
"""Choice: cells at least this certain are drawn with a full line, others with a broken one."""


def draw_cells(pixels: ColorImage, reading: Reading, *, scale: float = 1.0) -> ColorImage:
    """Cells of the most probable hypothesis, each with its place, character and certainty.

    Parameters
    ----------
    pixels : ndarray of uint8, (height, width, 3), RGB
        The photo, at ``scale`` times its original size. Not modified.
    reading : Reading
        Its quads are in pixels of the original photo.
    scale : float
        Pixels of ``pixels`` per photo pixel.

    Returns
    -------
    ndarray of uint8, (height, width, 3), RGB
    """
    drawn = np.ascontiguousarray(pixels.copy())
    if not reading.hypotheses:
        return drawn
    rows = reading.hypotheses[0].as_written().rows
    for row in rows:
        for cell in row:
            _draw_cell(drawn, cell, scale)
    for row in rows:
        for index, cell in enumerate(row):
            _label_cell(drawn, cell, index, scale)
    return drawn


def draw_spots(pixels: ColorImage, spots: Sequence[Spot], *, scale: float = 1.0) -> ColorImage:
    """Every character found, as a circle with a line towards its top; the input is not modified."""
    drawn = np.ascontiguousarray(pixels.copy())
    width = _line_width(drawn)
    for spot in spots:
        centre = (spot.x * scale, spot.y * scale)
        radius = max(2.0, spot.height_px * scale / 2)
        angle = np.deg2rad(spot.angle_deg)
        top = (centre[0] - radius * np.sin(angle), centre[1] - radius * np.cos(angle))
        for colour, extra in ((BLACK, 2), (SPOT, 0)):
            cv2.circle(drawn, _point(centre), round(radius), colour, width + extra, cv2.LINE_AA)
            cv2.line(drawn, _point(centre), _point(top), colour, width + extra, cv2.LINE_AA)
    return drawn


def draw_strip(strip: RowStrip) -> ColorImage:
    """A row as the reader saw it, twice as large; hatched where it was not seen."""
    drawn = np.ascontiguousarray(
        cv2.resize(strip.pixels, None, fx=2.0, fy=2.0, interpolation=cv2.INTER_CUBIC)
    )
    hidden = np.kron(strip.not_seen, np.ones((2, 2), dtype=np.bool_))
    rows, columns = np.indices(hidden.shape)
    stripe = (rows + columns) % 8
    drawn[hidden & (stripe < 2)] = WHITE
    drawn[hidden & (stripe >= 2) & (stripe < 4)] = BLACK
    return drawn


def picture_of_mark(
    pixels: ColorImage, hypothesis: Hypothesis, *, height_px: int = 160
) -> ColorImage:
    """The marked part of the photo, cut out along the picture's edges with a margin around it.

    Returns
    -------
    ndarray of uint8, (<= height_px, width, 3), RGB
        At most three times as wide as high.
    """
    quads = np.concatenate([cell.quad for row in hypothesis.rows for cell in row])
    low, high = quads.min(axis=0), quads.max(axis=0)
    margin = 0.25 * float((high - low).max())
    left, top = np.maximum(np.floor(low - margin), 0).astype(int)
    right, bottom = np.ceil(high + margin).astype(int)
    part = pixels[top:bottom, left:right]
    if part.size == 0:
        part = pixels
    return shrink(part, max_height_px=height_px, max_width_px=3 * height_px)


def shrink(pixels: ColorImage, *, max_height_px: int, max_width_px: int) -> ColorImage:
    """A picture no larger than the limits, its proportions kept; never enlarged."""
    height, width = pixels.shape[:2]
    factor = min(1.0, max_height_px / height, max_width_px / width)
    if factor == 1.0:
        return np.ascontiguousarray(pixels.copy())
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _draw_cell(drawn: ColorImage, cell: CellReading, scale: float) -> None:
    _, probability = best_character(cell)
    corners = cell.quad * scale
    width = _line_width(drawn)
    sure = probability >= SURE_PROBABILITY
    for colour, extra in ((BLACK, 2), (SURE if sure else UNSURE, 0)):
        for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            _line(drawn, start, end, colour=colour, width=width + extra, broken=not sure)
    # A short tick shows which side is the top of the character.
    top = (corners[0] + corners[1]) / 2
    outward = top + 0.18 * (top - (corners[2] + corners[3]) / 2)
    _line(drawn, top, outward, colour=SURE if sure else UNSURE, width=width, broken=False)


def _label_cell(drawn: ColorImage, cell: CellReading, index: int, scale: float) -> None:
    """Write character and certainty below the cell, no wider than the cell where that is legible.

    Labels that have to be wider stand alternately nearer and further out.
    """
    character, probability = best_character(cell)
    text = f"{character} {percent(probability)}"
    corners = cell.quad * scale
    bottom = (corners[2] + corners[3]) / 2
    down = bottom - (corners[0] + corners[1]) / 2
    down = down / max(float(np.linalg.norm(down)), 1.0)
    cell_width = float(np.linalg.norm(corners[1] - corners[0]))
    (full_width, _), _ = cv2.getTextSize(text, FONT, 1.0, 1)
    fitting = 0.9 * cell_width / full_width
    size = float(np.clip(fitting, SMALLEST_TEXT, LARGEST_TEXT))
    (width, height), _ = cv2.getTextSize(text, FONT, size, 1)
    steps_out = 1.2 + (2.0 * (index % 2) if fitting < SMALLEST_TEXT else 0.0)
    place = bottom + down * (steps_out * height + abs(float(down[0])) * width / 2)
    x = int(np.clip(place[0] - width / 2, 2, max(2, drawn.shape[1] - width - 2)))
    y = int(np.clip(place[1] + height / 2, height + 3, max(height + 3, drawn.shape[0] - 5)))
    cv2.rectangle(drawn, (x - 3, y - height - 3), (x + width + 3, y + 4), BLACK, -1)
    cv2.putText(drawn, text, (x, y), FONT, size, WHITE, 1, cv2.LINE_AA)


def _line(
    drawn: ColorImage,
    start: Points,
    end: Points,
    *,
    colour: tuple[int, int, int],
    width: int,
    broken: bool,
) -> None:
    pieces = [(0.0, 1.0)] if not broken else [(k / 7, (k + 0.55) / 7) for k in range(7)]
    for first, last in pieces:
        a, b = start + first * (end - start), start + last * (end - start)
        cv2.line(drawn, _point(a), _point(b), colour, width, cv2.LINE_AA)


def _line_width(drawn: ColorImage) -> int:
    longest = max(int(side) for side in drawn.shape[:2])
    return max(1, round(longest / 600))


def _point(values: Sequence[float] | Points) -> tuple[int, int]:
    x, y = float(values[0]), float(values[1])
    return round(x), round(y)
