"""Where in a photo to look when nobody has said where the mark is: a fast classical guess."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage

Pixel = TypeVar("Pixel", np.uint8, np.float32)

WINDOW_SHARE: Final = 0.4
"""Choice: side of the window against the picture's sides; a mark photographed as advised (a third
of the width) lies inside it."""
CENTRE_SIGMA: Final = 0.35
"""Choice: people centre what they photograph; standard deviation against the picture's sides."""
DOT_SIGMAS: Final = (1.5, 3.0)
"""Choice: of a mark 8 to 40 % of the width, a needle's dot has a radius of 1 to 5 px in the copy
that is searched."""
TEXTURE_FLOOR: Final = 0.95
"""Choice: share of a picture that a mark does not cover even in a close-up."""
TEXTURE_CAP: Final = 0.998
"""Choice: so that a spot of 0.2 % of the picture counts as any other."""
LOOK_SIDE_PX: Final = 1024
"""Choice: longer side of the copy that is searched, at most; at least half of it."""


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle in photo pixels, half open."""

    left: int
    top: int
    right: int
    bottom: int


def dot_texture(gray: GrayImage) -> GrayImage:
    """How much each place looks like a dark dot, whatever the light.

    Parameters
    ----------
    gray
        (height, width) float32.

    Returns
    -------
    GrayImage
        Root of the determinant of the Hessian where both curvatures are positive (Lindeberg 1998,
        doi:10.1023/A:1008045108935), scale-normalised, against local brightness; zero along lines
        and hair, whose second curvature is near zero.
    """
    best = np.zeros_like(gray)
    for sigma in DOT_SIGMAS:
        smooth = cv2.GaussianBlur(gray, (0, 0), sigma)
        xx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3, scale=0.25)
        yy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3, scale=0.25)
        xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3, scale=0.25)
        determinant = xx * yy - xy * xy
        np.maximum(determinant, 0, out=determinant)
        determinant[xx + yy <= 0] = 0
        level = np.maximum(cv2.blur(smooth, (31, 31)), 1.0)
        np.maximum(best, sigma**2 * np.sqrt(determinant) / level, out=best)
    return best


def guess_window(gray: GrayImage) -> Window:
    """The part of a picture with most dot texture, near the middle rather than at the border.

    Parameters
    ----------
    gray
        (height, width) float32 picture of any size; it is halved as often as needed for the search.

    Returns
    -------
    Window
        ``WINDOW_SHARE`` of either side, inside the picture, in pixels of ``gray``.
    """
    height, width = gray.shape
    times = halvings(max(height, width), LOOK_SIDE_PX)
    factor = 2**times
    texture = dot_texture(halve(gray, times))
    rows, columns = texture.shape
    # Above what fur and pores show everywhere; capped, so that a few strong spots (an eyelet, a
    # tag) do not outweigh a faint mark.
    low, high = np.quantile(texture[::2, ::2], [TEXTURE_FLOOR, TEXTURE_CAP])
    texture = np.clip(texture - low, 0, high - low + 1e-9)
    window = (max(1, round(columns * WINDOW_SHARE)), max(1, round(rows * WINDOW_SHARE)))
    score = cv2.blur(texture, window, borderType=cv2.BORDER_CONSTANT)
    y = (np.arange(rows, dtype=np.float32) + 0.5) / rows - 0.5
    x = (np.arange(columns, dtype=np.float32) + 0.5) / columns - 0.5
    away = (y[:, None] ** 2 + x[None, :] ** 2) / (2 * CENTRE_SIGMA**2)
    best = int(np.argmax(score * np.exp(-away)))
    centre_y, centre_x = divmod(best, columns)
    left, right = _span(centre_x * factor, round(width * WINDOW_SHARE), width)
    top, bottom = _span(centre_y * factor, round(height * WINDOW_SHARE), height)
    return Window(left, top, right, bottom)


def halvings(side_px: int, limit_px: int) -> int:
    """How often a side must be halved to be within a limit."""
    return max(0, (-(-side_px // limit_px) - 1).bit_length())


def halve(pixels: NDArray[Pixel], times: int) -> NDArray[Pixel]:
    """Picture reduced by 2 to the ``times`` (means of 2 x 2 pixels), at least 1 pixel a side.

    Halving twice takes a tenth of the time that OpenCV needs to reduce to a third.
    """
    for _ in range(times):
        size = (max(1, pixels.shape[1] // 2), max(1, pixels.shape[0] // 2))
        pixels = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    return pixels


def _span(centre: int, length: int, limit: int) -> tuple[int, int]:
    length = max(1, min(length, limit))
    start = min(max(centre - length // 2, 0), limit - length)
    return start, start + length
