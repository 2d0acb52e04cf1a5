"""Copies of one exposure: saved again, made smaller, turned or mirrored, they are one photo."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, Photo

SIDE: Final = 32
"""Choice: fields a side of which mean grey values are compared."""
FAR: Final = 1.2
"""Choice: mean difference in grey levels of 255 below which two pictures are one exposure. The
sample photos at a third of their size, saved as JPEG of quality 40, differ by 0.4 to 0.8 from
themselves; 24 simulated ears photographed anew, a third of them with another camera only, by 2 to
71."""


def copies(photos: Sequence[Photo]) -> dict[int, int]:
    """Index of each photo that shows the exposure of an earlier one, and of that earlier one.

    A cut-out of a photo is not recognised.
    """
    fields = [_fields(photo.pixels) for photo in photos]
    found: dict[int, int] = {}
    for later in range(len(photos)):
        for first in range(later):
            if first not in found and _same(fields[first], fields[later]):
                found[later] = first
                break
    return found


def _fields(pixels: ColorImage) -> NDArray[np.float64]:
    """(SIDE, SIDE) mean grey values."""
    import cv2

    grey = cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_RGB2GRAY)
    small = cv2.resize(grey.astype(np.float32), (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float64)


def _same(first: NDArray[np.float64], second: NDArray[np.float64]) -> bool:
    for mirrored in (second, second[:, ::-1]):
        for turns in range(4):
            if float(np.abs(first - np.rot90(mirrored, turns)).mean()) <= FAR:
                return True
    return False
