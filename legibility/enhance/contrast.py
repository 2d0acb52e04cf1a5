"""Local contrast, and needle marks joined to strokes."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, GrayImage

TILES = 4
"""Choice: tiles along each side; Zuiderveld's eight (from memory) bring out more grain than ink."""
CLIP_LIMIT = 1.3
"""Choice: a histogram is cut at 1.3 times its mean; 2 already brought out the grain of the skin."""
STROKE_PITCH_PX = 8.0
"""Measured on 64 drawn characters of 80 to 180 px: scaled so that neighbouring needles are 8, 12 or
16 px apart Tesseract misread 11, 9 and 19 % of them (gaps of 0.8 pitch closed); all of them on the
plain crop, 81 % on the ink map alone. 8 is as good as 12 within that sample and takes less time."""
JOIN_PITCHES = 0.9
"""Measured likewise: gaps, rim to rim, up to this many pitches are closed. At 8 px gaps of 0.6,
0.8, 1.0, 1.2 and 1.5 misread 20, 11, 13, 39 and 47 %; wider joins neighbouring characters."""
JOIN_DIRECTIONS = 12
"""Choice: directions in which needles are joined, 15 degrees apart."""
MARGIN_PX = 16
"""Choice: white margin round the strip; Tesseract misses characters that touch the border."""
MAX_STRIP_PX = 4000
"""Choice: longest side of a joined strip, so that a wrong pitch cannot fill the memory."""


def stretch_contrast(
    pixels: ColorImage, *, clip_limit: float = CLIP_LIMIT, tiles: int = TILES
) -> ColorImage:
    """Contrast-limited adaptive histogram equalisation of the lightness; hue is kept.

    Parameters
    ----------
    pixels : ColorImage
        (height, width, 3), RGB, uint8.
    clip_limit : float
        Height at which a tile's histogram is cut, in multiples of its mean, >= 1.
    tiles : int
        Tiles along each side, >= 1.

    Returns
    -------
    ColorImage
        Same shape, RGB, uint8.

    References
    ----------
    Zuiderveld (1994), Graphics Gems IV, 474-485.
    """
    lightness, green_red, blue_yellow = cv2.split(cv2.cvtColor(pixels, cv2.COLOR_RGB2LAB))
    height, width = lightness.shape
    grid = (min(tiles, max(1, width // 8)), min(tiles, max(1, height // 8)))
    equalised = cv2.createCLAHE(clipLimit=clip_limit, tileGridSize=grid).apply(lightness)
    stretched: ColorImage = cv2.cvtColor(
        cv2.merge([equalised, green_red, blue_yellow]), cv2.COLOR_LAB2RGB
    )
    return stretched


def dot_join(
    ink: GrayImage,
    *,
    pitch_px: float,
    join_pitches: float = JOIN_PITCHES,
    stroke_pitch_px: float = STROKE_PITCH_PX,
) -> NDArray[np.uint8]:
    """Needle marks joined to strokes, as a reader of printed text expects them.

    A closing by a disc does not join two dots (the disc passes between them); closings by straight
    lines, one direction at a time, do. The brightest of the directions is taken.

    Parameters
    ----------
    ink : GrayImage
        (height, width), float32, 0 (skin) .. 1 (ink), an upright strip.
    pitch_px : float
        Distance between neighbouring needles of a stroke in pixels of ``ink``, > 0.
    join_pitches : float
        Widest gap that is closed, in pitches.
    stroke_pitch_px : float
        Pitch after scaling.

    Returns
    -------
    ndarray
        uint8, strokes dark on white, scaled by ``stroke_pitch_px / pitch_px`` and with a margin.

    Raises
    ------
    ValueError
        If ``pitch_px`` is not a positive number.
    """
    if not (np.isfinite(pitch_px) and pitch_px > 0):
        raise ValueError(f"pitch_px is {pitch_px}; expected a distance in pixels above 0")
    scale = min(stroke_pitch_px / pitch_px, MAX_STRIP_PX / max(ink.shape))
    size = (max(1, round(ink.shape[1] * scale)), max(1, round(ink.shape[0] * scale)))
    method = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA
    scaled = np.clip(cv2.resize(ink, size, interpolation=method), 0, 1)
    levels = np.pad((scaled * 255).astype(np.uint8), MARGIN_PX)
    half = max(1, round(join_pitches * pitch_px * scale / 2))
    joined = levels
    for step in range(JOIN_DIRECTIONS):
        angle = np.pi * step / JOIN_DIRECTIONS
        end = (round(half * np.cos(angle)), round(half * np.sin(angle)))
        line = np.zeros((2 * half + 1, 2 * half + 1), np.uint8)
        cv2.line(line, (half - end[0], half - end[1]), (half + end[0], half + end[1]), 1)
        joined = cv2.max(joined, cv2.morphologyEx(levels, cv2.MORPH_CLOSE, line))
    joined = cv2.GaussianBlur(joined, (0, 0), stroke_pitch_px / 8)
    strip: NDArray[np.uint8] = 255 - joined
    return strip
