"""Hairs over the skin: thin, long, unbroken lines, darker or lighter than what is under them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, Mask

MAX_WIDTH_SHARE = 0.006
"""Choice: a hair is at most this wide, as a share of the longest side (7 px of 1200)."""
LINE_SHARE = 0.02
"""Measured on drawn hairs and dots (tests/enhance/test_hair.py): a hair runs straight for this
share of the longest side; a shorter piece lets through rows of touching needle marks."""
MIN_LENGTH_SHARE = 0.05
"""Choice: a found piece must extend this far, as a share of the longest side."""
DIRECTIONS = 12
"""Choice: directions of the line openings, 15 degrees apart."""
EVENNESS = 0.55
"""Measured with the same drawings: along a hair the lowest response is at least this share of the
crests; between the marks of a row of needles it falls below."""
SEED_LEVEL = 14
"""Choice: grey levels a hair differs from what is beside it, along a whole line piece."""
GROW_LEVEL = 9
"""Choice: the same for its weaker continuation."""
NOISE_FACTOR = 3.0
"""Choice: both levels are at least this many times the picture's own fine texture."""
MAX_FILL = 0.25
"""Choice: a piece covers at most this share of the square over its extent; blots cover more."""


def find_hair(
    pixels: ColorImage,
    *,
    seed_level: int = SEED_LEVEL,
    max_width_share: float = MAX_WIDTH_SHARE,
    min_length_share: float = MIN_LENGTH_SHARE,
) -> Mask:
    """Where hairs cover the skin.

    Thin structures are what a small grey closing (dark hair) or opening (light hair) takes away.
    Of these only what survives an opening by a straight line in some direction is kept: a hair
    does, a needle mark does not, nor does a row of needle marks with gaps. The remains are joined
    to their weaker continuations, and pieces that are short or blot-like are dropped.

    Parameters
    ----------
    pixels : ColorImage
        (height, width, 3), RGB, uint8; best with even light.
    seed_level : int
        Least difference in grey levels, 1..255.
    max_width_share, min_length_share : float
        Widest hair and shortest piece as shares of the longest side.

    Returns
    -------
    Mask
        (height, width), True under hair.

    References
    ----------
    Directional closing after Lee et al. (1997), doi:10.1016/S0010-4825(97)00020-6; we use more
    directions, open the residue by lines as well, and never paint the hair over.
    """
    height, width = pixels.shape[:2]
    side = max(height, width)
    if min(height, width) < 3:
        return np.zeros((height, width), np.bool_)
    gray = cv2.GaussianBlur(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), (3, 3), 0)
    reach = 2 * max(1, round(max_width_share * side / 2)) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    found = np.zeros((height, width), np.uint8)
    for operation in (cv2.MORPH_BLACKHAT, cv2.MORPH_TOPHAT):
        thin = cv2.morphologyEx(gray, operation, disc)
        found |= _lines(thin, seed_level=seed_level, side=side, min_length_share=min_length_share)
    mask: Mask = cv2.dilate(found, np.ones((3, 3), np.uint8)) > 0
    return mask


def _lines(
    thin: NDArray[np.uint8], *, seed_level: int, side: int, min_length_share: float
) -> NDArray[np.uint8]:
    """Long unbroken lines among thin structures, as 0/1, at the picture's own scale."""
    texture = float(np.median(thin[::3, ::3]))
    seed = max(float(seed_level), NOISE_FACTOR * texture)
    grow = max(float(min(GROW_LEVEL, seed_level)), 0.75 * seed if texture * 3 > seed_level else 0.0)
    small = cv2.resize(
        cv2.dilate(thin, np.ones((2, 2), np.uint8)),
        None,
        fx=0.5,
        fy=0.5,
        interpolation=cv2.INTER_NEAREST,
    )
    length = max(5, round(LINE_SHARE * side / 2))
    along = np.zeros_like(small)
    for step in range(DIRECTIONS):
        line = _line_element(length, np.pi * step / DIRECTIONS)
        lowest = cv2.morphologyEx(small, cv2.MORPH_OPEN, line)
        crests = cv2.morphologyEx(small, cv2.MORPH_CLOSE, line)
        uneven = cv2.compare(lowest, cv2.multiply(crests, EVENNESS), cv2.CMP_LT)
        along = cv2.max(along, cv2.subtract(lowest, uneven))
    weak = (along >= grow).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(weak, connectivity=8)
    keep = np.zeros(count, np.bool_)
    keep[np.unique(labels[along >= seed])] = True
    extent = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    keep &= extent >= min_length_share * side / 2
    keep &= stats[:, cv2.CC_STAT_AREA] <= MAX_FILL * extent**2
    keep[0] = False
    kept = keep[labels].astype(np.uint8)
    full = cv2.resize(kept, thin.shape[::-1], interpolation=cv2.INTER_NEAREST)
    wide = cv2.dilate(full, np.ones((3, 3), np.uint8))
    found: NDArray[np.uint8] = np.bitwise_and(wide, (thin >= grow).astype(np.uint8))
    return found


def _line_element(length: int, angle: float) -> NDArray[np.uint8]:
    """Structuring element: a straight line through the centre, 0/1, odd side."""
    half = length // 2
    element = np.zeros((2 * half + 1, 2 * half + 1), np.uint8)
    end_x, end_y = round(half * np.cos(angle)), round(half * np.sin(angle))
    cv2.line(element, (half - end_x, half - end_y), (half + end_x, half + end_y), 1)
    return element
