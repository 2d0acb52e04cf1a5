"""The crop a patient person would make by hand: upright, un-mirrored, filling the frame."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from legibility.containers import ColorImage
from legibility.evaluate.truth import EvaluationPhoto

CROP_HEIGHT_PX: Final = 64.0
"""Choice: character height in a crop; general text readers are trained near 32 to 48."""

MARGIN: Final = 0.35
"""Choice: skin around the mark, character heights."""


def upright_crop(
    photo: EvaluationPhoto, *, row: int | None = None, height_px: float = CROP_HEIGHT_PX
) -> ColorImage:
    """The mark, or one of its rows, turned upright and un-mirrored by its true place.

    Parameters
    ----------
    photo : EvaluationPhoto
        Must show a mark.
    row : int, optional
        Which row; the whole mark by default.
    height_px : float, optional
        Of a character in the crop.

    Returns
    -------
    ndarray of uint8, (height, width, 3)
    Raises
    ------
    ValueError
        If the photo has no mark.
    """
    truth = photo.truth
    if not truth.rows:
        raise ValueError(f"{photo.name} shows no mark; expected a photo with one to crop")
    cells = truth.characters if row is None else truth.rows[row]
    quads = np.stack([cell.quad for cell in cells])
    up = ((quads[:, 0] + quads[:, 1]) - (quads[:, 2] + quads[:, 3])).sum(axis=0)
    right = ((quads[:, 1] + quads[:, 2]) - (quads[:, 0] + quads[:, 3])).sum(axis=0)
    down = -up / np.linalg.norm(up)
    across = np.array((-down[1], down[0]))
    if float(across @ right) < 0:
        across = -across
    scale = height_px / float(np.mean([cell.height_px for cell in cells]))
    corners = quads.reshape(-1, 2)
    u, v = corners @ across, corners @ down
    margin = MARGIN * height_px / scale
    u0, v0 = float(u.min()) - margin, float(v.min()) - margin
    size = (
        max(1, round((float(u.max()) + margin - u0) * scale)),
        max(1, round((float(v.max()) + margin - v0) * scale)),
    )
    turn = np.array(
        (
            (scale * across[0], scale * across[1], -scale * u0),
            (scale * down[0], scale * down[1], -scale * v0),
        )
    )
    pixels = photo.pixels
    if scale < 0.7:
        pixels = np.asarray(cv2.GaussianBlur(pixels, (0, 0), 0.4 / scale), dtype=np.uint8)
    crop = cv2.warpAffine(
        pixels, turn, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(crop, dtype=np.uint8)
