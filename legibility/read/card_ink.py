"""Is there ink, or a hole, where a needle should have left its dot?

Dots that run together are found as one, and a dot that hardly shows is not found at all. Before a
needle is called missing, the paper at its place is looked at.
"""

from __future__ import annotations

import math
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, Points
from legibility.read.card_dots import CardDots

PAPER_RADII: Final = 7.0
"""Choice: how far around a place its paper is looked for, in radii of a dot."""
PAPER_QUANTILE: Final = 0.3
"""Choice: dots and what lies beside them fill less than the rest of that ground."""
CORE_RADII: Final = 0.6
"""Choice: part of a dot that is looked at, of its radius."""
NEAR_RADII: Final = 0.5
"""Choice: how far off its place a dot may lie, in its radii; more would reach its neighbour."""
_AROUND: Final = ((0.0, 0.0), (1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0))
LEAST_INK: Final = 0.3
"""Choice: share of the contrast of the card's dots from which there is a dot; what is blurred from
a neighbour is less."""


def ink_at(pixels: ColorImage, dots: CardDots, places: Points) -> NDArray[np.float64]:
    """How much of a dot is seen at places of a card.

    Parameters
    ----------
    pixels : (height, width, 3) uint8 RGB
    dots : CardDots
        Of that photo.
    places : (n, 2)
        Points of the photo.

    Returns
    -------
    (n,) float64
        0 for bare paper, 1 for the median dot of the card; 0 beyond the picture.
    """
    gray = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    bright = gray if dots.shining else 255 - gray
    radius = float(np.median(dots.radii_px))
    usual = float(np.median([_above_paper(bright, place, radius) for place in dots.centres]))
    steps = NEAR_RADII * radius * np.array(_AROUND)
    seen = [max(_above_paper(bright, at, radius) for at in place + steps) for place in places]
    return np.array(seen, dtype=np.float64) / max(usual, 1.0)


def _above_paper(bright: NDArray[np.uint8], place: Points, radius: float) -> float:
    """How far the middle of a place stands out of its surroundings, levels of 255."""
    middle = _part(bright, place, max(1, round(CORE_RADII * radius)))
    around = _part(bright, place, math.ceil(PAPER_RADII * radius))
    if not middle.size:
        return 0.0
    step = max(1, math.ceil(math.sqrt(around.size) / 64))
    return float(middle.mean() - np.quantile(around[::step, ::step], PAPER_QUANTILE))


def _part(bright: NDArray[np.uint8], place: Points, reach: int) -> NDArray[np.uint8]:
    x, y = (round(float(value)) for value in place)
    if not (0 <= x < bright.shape[1] and 0 <= y < bright.shape[0]):
        return bright[:0, :0]
    return bright[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1]
