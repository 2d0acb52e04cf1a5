"""Exposure, glare and hair over a part of a photo, as shares of its area."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, Mask

BURNT_LEVEL: Final = 250
"""Choice: all three channels at or above this show no skin any more."""
STRAND_WIDTH_PX: Final = 5
"""Choice, at 64 px character height: hair is narrower; a needle's dot is about as wide."""
STRAND_LENGTH_PX: Final = 21
"""Choice, at 64 px character height: two needle pitches, so that single dots do not count."""
STRAND_DIRECTIONS: Final = 12
"""Choice: every 15 degrees."""
STRAND_LEVELS: Final = 10.0
"""Choice: grey levels by which a strand differs from both of its sides."""


def burnt(pixels: ColorImage) -> Mask:
    """Where all channels are at the top: no colour is left, as in glare on wet skin."""
    low = cv2.min(cv2.min(pixels[:, :, 0], pixels[:, :, 1]), pixels[:, :, 2])
    return np.asarray(low >= BURNT_LEVEL)


def strands(gray: NDArray[np.uint8]) -> Mask:
    """Where thin, long, light or dark strands lie.

    Parameters
    ----------
    gray
        (height, width) uint8, at most 64 px to a character's height.

    Returns
    -------
    Mask
        Thin structures by closing and opening (as Lee et al. 1997 find hair,
        doi:10.1016/S0010-4825(97)00020-6), kept where a straight piece of
        ``STRAND_LENGTH_PX`` fits into them; this measures, ``enhance`` masks for the reader.
    """
    gray = np.asarray(cv2.GaussianBlur(gray, (3, 3), 0))  # against noise
    square = np.ones((STRAND_WIDTH_PX, STRAND_WIDTH_PX), np.uint8)
    longest = np.zeros_like(gray)
    for operation in (cv2.MORPH_BLACKHAT, cv2.MORPH_TOPHAT):
        thin = cv2.morphologyEx(gray, operation, square)
        thin = cv2.dilate(thin, np.ones((2, 2), np.uint8))
        for line in _lines():
            longest = cv2.max(longest, cv2.morphologyEx(thin, cv2.MORPH_OPEN, line))
    return np.asarray(longest > STRAND_LEVELS)


def _lines() -> list[NDArray[np.uint8]]:
    """Straight structuring elements of ``STRAND_LENGTH_PX`` in ``STRAND_DIRECTIONS``."""
    half = STRAND_LENGTH_PX // 2
    lines = []
    for angle in np.arange(STRAND_DIRECTIONS) * (np.pi / STRAND_DIRECTIONS):
        kernel = np.zeros((STRAND_LENGTH_PX, STRAND_LENGTH_PX), np.uint8)
        dx, dy = round(half * np.cos(angle)), round(half * np.sin(angle))
        cv2.line(kernel, (half - dx, half - dy), (half + dx, half + dy), 1)
        lines.append(kernel)
    return lines
