"""Uneven light taken out of a picture by dividing by a robust estimate of its background."""

from __future__ import annotations

import cv2
import numpy as np

from legibility.containers import ColorImage, GrayImage

BACKGROUND_SIDE_PX = 192
"""Choice: longest side at which the background is estimated; light changes slowly."""
WINDOW_SHARE = 0.16
"""Measured on scikit-image's page.png: at 0.08 to 0.16 Tesseract misreads 1 to 7 % of letters, at
0.24 to 0.35 2 to 9 % (21 to 75 % before, by page mode and enlargement). The widest of the good
ones, because a dark patch of skin narrower than half of it keeps its darkness."""
MAX_GAIN = 4.0
"""Choice: a darker place than this is not lifted further, its noise would be all one sees."""
BRIGHT_LEVEL = 235.0
"""Choice: the brightest 1 % of the background is brought at most here, so that little clips."""


def background_light(pixels: ColorImage, *, window_share: float = WINDOW_SHARE) -> GrayImage:
    """Slowly varying brightness of a picture, without its ink, hair and highlights.

    The picture is reduced, its luminance smoothed by a median (which ignores ink and glare that
    cover less than half of the window and keeps the edge of the ear), then by a Gaussian.

    Parameters
    ----------
    pixels : ColorImage
        (height, width, 3), RGB, uint8.
    window_share : float
        Width of the median's window as a share of the longest side, 0 < value <= 1.

    Returns
    -------
    GrayImage
        (height, width), float32, grey levels 1..255.
    """
    height, width = pixels.shape[:2]
    reduction = min(1.0, BACKGROUND_SIDE_PX / max(height, width))
    size = (max(1, round(width * reduction)), max(1, round(height * reduction)))
    small = cv2.cvtColor(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)
    window = max(3, round(window_share * max(size)) | 1)
    light = cv2.medianBlur(small, window).astype(np.float32)
    light = cv2.GaussianBlur(light, (0, 0), window / 6, borderType=cv2.BORDER_REPLICATE)
    full = cv2.resize(light, (width, height), interpolation=cv2.INTER_LINEAR)
    positive: GrayImage = np.maximum(full, np.float32(1.0))
    return positive


def flatten_illumination(
    pixels: ColorImage, *, window_share: float = WINDOW_SHARE, max_gain: float = MAX_GAIN
) -> ColorImage:
    """The picture as if evenly lit: each pixel times one gain for its three channels.

    Homomorphic in manner: dividing by the background is subtracting its logarithm. The values are
    gamma-coded; for a power-law coding a factor of light is a factor of the coded value as well, so
    colours keep their hue.

    Parameters
    ----------
    pixels : ColorImage
        (height, width, 3), RGB, uint8.
    window_share : float
        Width of the background window as a share of the longest side.
    max_gain : float
        Largest factor a pixel is multiplied by, >= 1.

    Returns
    -------
    ColorImage
        Same shape, RGB, uint8.

    References
    ----------
    Oppenheim, Schafer, Stockham (1968), doi:10.1109/PROC.1968.6570 (homomorphic filtering; the
    background here is a median instead of a linear low-pass, so that ink does not darken it).
    """
    light = background_light(pixels, window_share=window_share)
    target = min(float(np.percentile(light[::4, ::4], 90)), BRIGHT_LEVEL)
    gain = np.clip(np.float32(target) / light, np.float32(1.0 / max_gain), np.float32(max_gain))
    flat: ColorImage = cv2.multiply(pixels, cv2.merge([gain, gain, gain]), dtype=cv2.CV_8U)
    return flat
