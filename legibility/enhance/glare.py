"""Specular glare: places where the light itself is seen instead of the skin."""

from __future__ import annotations

import cv2
import numpy as np

from legibility.containers import ColorImage, Mask

GLARE_LEVEL = 245
"""Choice: a highlight's heart reaches this in all three channels (clipped, less JPEG noise)."""
HALO_LEVEL = 205
"""Choice: its surroundings count while all three channels reach this."""
RATIO_HEART = 1.15
"""Choice: the heart is this much brighter than its wide neighbourhood; white paper is not."""
RATIO_HALO = 1.08
"""Choice: the same for the surroundings."""
NEIGHBOURHOOD_SHARE = 0.33
"""Choice: width of the neighbourhood as a share of the longest side; a highlight that covers more
than half of it is an overexposed picture, which the capture check reports."""
BORDER_SHARE = 0.004
"""Choice: soft border added round a highlight, as a share of the longest side."""
NEIGHBOURHOOD_SIDE_PX = 128
"""Choice: longest side at which the neighbourhood is measured."""


def find_glare(
    pixels: ColorImage, *, level: int = GLARE_LEVEL, border_share: float = BORDER_SHARE
) -> Mask:
    """Where glare hides the skin.

    A highlight has a heart that is clipped or nearly so in all channels and brighter than its wide
    neighbourhood; it takes along the connected bright surroundings and a border. White paper or
    white skin is as bright as its neighbourhood and is left alone.

    Parameters
    ----------
    pixels : ColorImage
        (height, width, 3), RGB, uint8.
    level : int
        Grey level 0..255 that the darkest channel of a heart reaches.
    border_share : float
        Width of the border as a share of the longest side.

    Returns
    -------
    Mask
        (height, width), True where nothing can be read.
    """
    height, width = pixels.shape[:2]
    red, green, blue = cv2.split(pixels)
    darkest = cv2.min(cv2.min(red, green), blue)
    around = _neighbourhood(pixels)
    heart = ((darkest >= level) & (darkest > RATIO_HEART * around)).astype(np.uint8)
    if not heart.any():
        return np.zeros((height, width), np.bool_)
    halo = ((darkest >= min(HALO_LEVEL, level)) & (darkest > RATIO_HALO * around)).astype(np.uint8)
    count, labels = cv2.connectedComponents(halo | heart, connectivity=8)
    has_heart = np.zeros(count, np.bool_)
    has_heart[np.unique(labels[heart > 0])] = True
    has_heart[0] = False
    found = has_heart[labels].astype(np.uint8)
    radius = max(1, round(border_share * max(height, width)))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    mask: Mask = cv2.dilate(found, disc) > 0
    return mask


def _neighbourhood(pixels: ColorImage) -> np.ndarray[tuple[int, int], np.dtype[np.float32]]:
    """Median grey level of the wide neighbourhood of each pixel, (height, width), float32."""
    height, width = pixels.shape[:2]
    reduction = min(1.0, NEIGHBOURHOOD_SIDE_PX / max(height, width))
    size = (max(1, round(width * reduction)), max(1, round(height * reduction)))
    small = cv2.cvtColor(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)
    window = max(3, round(NEIGHBOURHOOD_SHARE * max(size)) | 1)
    median = cv2.medianBlur(small, window).astype(np.float32)
    around: np.ndarray[tuple[int, int], np.dtype[np.float32]] = cv2.resize(
        median, (width, height), interpolation=cv2.INTER_LINEAR
    )
    return around
