"""What a cell's ink looks like, for the grade: contrast against the skin and separate dots."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, GrayImage, Points
from legibility.read.cells import CellBox

INK: Final = 0.5
"""Choice: ink map above which a pixel counts as ink."""
SKIN: Final = 0.15
"""Choice: ink map below which a pixel counts as skin."""
LEAST_PIXELS: Final = 4
"""Choice: fewer pixels of ink or of skin give no measure."""
INKED: Final = 0.5
"""Choice: needles at least this probably inked are compared with their neighbours."""
NEIGHBOUR_PX: Final = (5.0, 11.0)
"""Choice: distance of neighbouring needles in a strip (characters are about 31 px high)."""


def ink_contrast(strip: ColorImage, ink: GrayImage, box: CellBox) -> float:
    """Contrast of ink and skin in a cell, 0..1: ``|skin - ink| / skin`` in the clearest channel.

    In the manner of cell contrast of ISO/IEC 29158 (from memory). NaN where too little of either
    is in the cell.
    """
    rows = slice(
        max(0, int(box.y_center - box.height_px / 2)), int(box.y_center + box.height_px / 2) + 1
    )
    columns = slice(max(0, int(box.left)), int(box.right) + 1)
    pixels = strip[rows, columns].reshape(-1, 3).astype(np.float64)
    amount = ink[rows, columns].reshape(-1)
    marked, bare = pixels[amount > INK], pixels[amount < SKIN]
    if len(marked) < LEAST_PIXELS or len(bare) < LEAST_PIXELS:
        return float("nan")
    dark, light = np.median(marked, axis=0), np.median(bare, axis=0)
    return float(np.clip(np.max(np.abs(light - dark) / np.maximum(light, 1.0)), 0.0, 1.0))


def separation(ink: GrayImage, positions: Points, inked: NDArray[np.float64]) -> float:
    """How far the ink falls half-way between neighbouring inked needles, 0 (joined) .. 1.

    NaN where no two neighbouring needles show ink.

    Parameters
    ----------
    positions : (n, 2) x, y in strip pixels
    inked : (n,) probability that each shows ink
    """
    shown = positions[inked >= INKED]
    falls = []
    for i, point in enumerate(shown):
        distance = np.hypot(*(shown[i + 1 :] - point).T)
        near = (distance >= NEIGHBOUR_PX[0]) & (distance <= NEIGHBOUR_PX[1])
        for other in shown[i + 1 :][near]:
            ends = _at(ink, np.array([point, other])).min()
            middle = _at(ink, ((point + other) / 2)[None])[0]
            if ends > 0:
                falls.append(1.0 - min(1.0, middle / ends))
    return float(np.median(falls)) if falls else float("nan")


def _at(ink: GrayImage, points: Points) -> NDArray[np.float64]:
    from scipy.ndimage import map_coordinates

    values = map_coordinates(ink, [points[:, 1], points[:, 0]], order=1, mode="nearest")
    return np.asarray(values, dtype=np.float64)
