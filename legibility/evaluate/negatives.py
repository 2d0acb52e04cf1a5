"""Pictures of things that are no marked ears."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from legibility.containers import ColorImage
from legibility.evaluate.textures import NO_MARK, patch, shipped_picture

NO_MARK_KINDS: Final = (*NO_MARK, "blank ear", "blank ear", "blank ear", "blank ear")
"""Kinds of picture without a mark; blank ears are a quarter of them."""


def no_mark_photo(kind: str, *, rng: np.random.Generator) -> ColorImage:
    """A shipped photograph at a random scale: whole and upright, or a turned and warped piece.

    Parameters
    ----------
    kind : str
        File name of a shipped picture, see ``textures.NO_MARK``.

    Returns
    -------
    ndarray of uint8, (height, width, 3)
    """
    picture = shipped_picture(kind)
    width = int(rng.integers(800, 1601))
    if rng.random() < 0.5:
        scale = width / picture.shape[1]
        size = (width, max(320, round(picture.shape[0] * scale)))
        result = cv2.resize(picture, size, interpolation=cv2.INTER_CUBIC)
    else:
        height = round(width * 0.75)
        zoom = width / picture.shape[1] * rng.uniform(1.0, 3.0)
        piece = patch(kind, width=width, height=height, zoom=float(zoom), rng=rng)
        result = np.clip(piece * 255.0 + 0.5, 0, 255).astype(np.uint8)
    quality = int(rng.integers(60, 96))
    bgr = cv2.cvtColor(result, cv2.COLOR_RGB2BGR)
    _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    decoded = cv2.imdecode(np.asarray(data, dtype=np.uint8), cv2.IMREAD_COLOR)
    return np.asarray(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB), dtype=np.uint8)
