"""Patches of real photographs that ship with general-purpose libraries, as raw material.

scikit-image's and scikit-learn's example pictures (grass, gravel, brick, fur, a retina, ...) give
the evaluation scenes surfaces that no noise generator of the training side can have produced.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage
from legibility.errors import MissingExtraError

SKIN_TEXTURES: Final = (
    "grass.png",
    "gravel.png",
    "brick.png",
    "chelsea.png",
    "coffee.png",
    "rocket.jpg",
    "retina.jpg",
    "cell.png",
    "microaneurysms.png",
    "moon.png",
    "ihc.png",
)
"""Pictures whose fine structure is used as skin, with all colour and slow shading removed."""

BACKGROUNDS: Final = (
    "grass.png",
    "gravel.png",
    "brick.png",
    "china.jpg",
    "flower.jpg",
    "coffee.png",
)
"""What may lie behind an ear."""

NO_MARK: Final = (
    "chelsea.png",
    "retina.jpg",
    "page.png",
    "brick.png",
    "grass.png",
    "gravel.png",
    "coins.png",
    "text.png",
    "cell.png",
    "moon.png",
    "china.jpg",
    "flower.jpg",
)
"""Pictures of things that are no marked ears."""

_SCIKIT_LEARN: Final = ("china.jpg", "flower.jpg")


@lru_cache(maxsize=32)
def shipped_picture(name: str) -> ColorImage:
    """One of the example pictures, RGB, read-only.

    Parameters
    ----------
    name : str
        File name, e.g. ``"grass.png"``.

    Raises
    ------
    MissingExtraError
        If the library that ships the picture is not installed (extra ``test``), or its
        version no longer ships it.
    """
    package, folder = (
        ("sklearn", "datasets/images") if name in _SCIKIT_LEARN else ("skimage", "data")
    )
    spec = find_spec(package)
    if spec is None or spec.origin is None:
        raise MissingExtraError(
            f"evaluation scenes need {name}, which {package} ships; "
            "install the extra: pip install 'legibility[test]'"
        )
    path = Path(spec.origin).parent / folder / name
    picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if picture is None:
        raise MissingExtraError(f"{path} is missing; expected it to be shipped with {package}")
    rgb = cv2.cvtColor(picture, cv2.COLOR_BGR2RGB)
    rgb.setflags(write=False)
    return np.asarray(rgb, dtype=np.uint8)


def patch(
    name: str, *, width: int, height: int, zoom: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """A turned, mirrored and slowly warped piece of a picture, tiled by reflection.

    Parameters
    ----------
    name : str
        See :func:`shipped_picture`.
    width, height : int
        Size wanted, pixels.
    zoom : float
        Output pixels per picture pixel.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of float32, (height, width, 3), 0..1
    """
    source = _useful_part(name)
    angle = rng.uniform(0.0, 2.0 * np.pi)
    ys = np.arange(height, dtype=np.float32)[:, None]
    xs = np.arange(width, dtype=np.float32)[None, :]
    amplitude = 0.04 * max(width, height) * rng.uniform(0.2, 1.0)
    rate = (2 * np.pi / (max(width, height) * rng.uniform(0.5, 1.5, 2))).tolist()
    phase = rng.uniform(0.0, 2.0 * np.pi, 2).tolist()
    xw = xs + amplitude * np.sin(rate[0] * ys + phase[0])
    yw = ys + amplitude * np.sin(rate[1] * xs + phase[1])
    cosine, sine = float(np.cos(angle)) / zoom, float(np.sin(angle)) / zoom
    x0 = rng.uniform(0, source.shape[1])
    y0 = rng.uniform(0, source.shape[0])
    map_x = cosine * xw + sine * yw + np.float32(x0)
    map_y = -sine * xw + cosine * yw + np.float32(y0)
    piece = cv2.remap(source, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    return np.asarray(piece, dtype=np.float32) / np.float32(255.0)


def _useful_part(name: str) -> ColorImage:
    """A picture without the black surround that a retina camera leaves."""
    picture = shipped_picture(name)
    return picture[400:1010, 400:1010] if name == "retina.jpg" else picture


def fine_structure(
    name: str, *, width: int, height: int, zoom: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Grey fine structure of a picture without slow shading: unit deviation, clipped to 3.

    Returns
    -------
    ndarray of float32, (height, width), -3..3
    """
    grey = patch(name, width=width, height=height, zoom=zoom, rng=rng).mean(axis=2)
    slow = blur(grey, sigma=max(3.0, 5.0 * zoom))
    fine = grey - slow
    deviation = float(fine.std())
    if deviation < 1e-4:
        return np.zeros((height, width), dtype=np.float32)
    return np.asarray(np.clip(fine / deviation, -3.0, 3.0), dtype=np.float32)


def slow_noise(
    *, width: int, height: int, cells: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Smooth noise with about ``cells`` features along the longer side, 0..1 by rank.

    Returns
    -------
    ndarray of float32, (height, width)
    """
    step = max(width, height) / cells
    rows, columns = max(2, round(height / step)) + 1, max(2, round(width / step)) + 1
    small = rng.random((rows, columns)).astype(np.float32)
    field = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)
    low, high = np.quantile(field, (0.02, 0.98))
    return np.asarray(
        np.clip((field - low) / max(float(high - low), 1e-6), 0.0, 1.0), dtype=np.float32
    )


def blur(picture: NDArray[np.float32], *, sigma: float) -> NDArray[np.float32]:
    """Gaussian blur; wide ones at reduced scale, where the difference cannot be seen.

    Parameters
    ----------
    picture : ndarray of float32, (height, width) or (height, width, 3)
    sigma : float
        Pixels; nothing is done below 0.2.
    """
    if sigma < 0.2:
        return picture
    height, width = picture.shape[:2]
    factor = int(min(sigma / 3.0, height / 8, width / 8))
    if factor < 2:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), dtype=np.float32)
    size = (max(2, width // factor), max(2, height // factor))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / factor)
    return np.asarray(
        cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC), dtype=np.float32
    )
