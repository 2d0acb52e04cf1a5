"""The marked part of a photo, turned upright, for people to read."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from legibility.containers import ColorImage, Hypothesis
from legibility.report.drawing import shrink

MARGIN: Final = 0.9
"""Choice: margin about the mark in character heights."""
HEIGHT_PX: Final = 90
"""Choice: height of a character in the crop, as far as the photo has that many pixels."""
LARGEST_PX: Final = 1400
ENLARGED: Final = 2.0
"""Choice: most that a small mark is enlarged."""

CUT_OUT: Final = "mark cut out, turned upright"
"""What :func:`upright_mark` did, for the list of a picture's steps."""


def upright_mark(
    pixels: ColorImage,
    hypothesis: Hypothesis,
    *,
    height_px: float = HEIGHT_PX,
    enlarged: float = ENLARGED,
) -> ColorImage:
    """The mark cut out, upright and not mirrored, as the hypothesis has it.

    Parameters
    ----------
    height_px : float
        Height of a character.
    enlarged : float
        Most that a small mark is enlarged; without a limit, and as far as ``LARGEST_PX`` allows,
        characters of all photos have the same height.

    Returns
    -------
    ndarray of uint8, (height, width, 3), RGB
        Places outside the photo are grey.
    """
    quads = [cell.quad for row in hypothesis.rows for cell in row]
    up = np.sum([(q[0] + q[1]) - (q[2] + q[3]) for q in quads], axis=0)
    up = up / max(float(np.linalg.norm(up)), 1e-9)
    right = np.array([-up[1], up[0]]) * (-1.0 if hypothesis.mirrored else 1.0)
    corners = np.concatenate(quads)
    height = float(np.median([np.linalg.norm((q[0] + q[1] - q[2] - q[3]) / 2) for q in quads]))
    along, down = corners @ right, corners @ -up
    margin = MARGIN * height
    low = np.array([along.min() - margin, down.min() - margin])
    size = np.array([along.max() + margin, down.max() + margin]) - low
    scale = min(height_px / height, enlarged, LARGEST_PX / float(size.max()))
    # Photo point = right * along + -up * down, since both are unit vectors at right angles.
    basis = np.stack([right, -up], axis=1)
    matrix = np.concatenate([basis / scale, (basis @ low)[:, None]], axis=1)
    width, tall = (max(8, round(float(side) * scale)) for side in size)
    # warpAffine has no area filter: a mark to be made smaller is smoothed first.
    smoothed = cv2.GaussianBlur(pixels, (0, 0), 0.4 / scale) if scale < 0.8 else pixels
    turned = cv2.warpAffine(
        smoothed,
        matrix,
        (width, tall),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(128, 128, 128),
    )
    return np.asarray(turned, dtype=np.uint8)


def whole_photo(pixels: ColorImage) -> ColorImage:
    """The photo made smaller, where no mark was located."""
    return shrink(pixels, max_height_px=LARGEST_PX, max_width_px=LARGEST_PX)
