"""Photos as another program stores them."""

from __future__ import annotations

import cv2
import numpy as np

from legibility.containers import ColorImage


def resaved(pixels: ColorImage, *, quality: int, scale: float = 1.0) -> ColorImage:
    """The same photo as another program stores it: another size, another JPEG quality.

    Raises
    ------
    ValueError
        If the picture cannot be stored.
    """
    size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(
        ".jpg", cv2.cvtColor(small, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    if not done:
        raise ValueError(f"a picture of shape {pixels.shape} could not be stored as JPEG")
    decoded = cv2.cvtColor(cv2.imdecode(data, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
    return np.asarray(decoded, dtype=np.uint8)
