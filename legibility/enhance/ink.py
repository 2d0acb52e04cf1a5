"""Ink told from skin when neither colour is known, and unmixing when both are."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, GrayImage, Mask

OPTICAL_FLOOR = 1e-6
"""scikit-image's ``separate_stains`` uses the same floor for black pixels."""
SKIN_SIDE_PX = 320
"""Choice: longest side at which the colour of the skin is estimated."""
SKIN_WINDOW_SHARE = 0.08
"""Choice: the skin's colour is the median over a window of this share of the longest side; wider
than a needle mark or a stroke, narrower than a patch of mottled skin."""
SKIN_EDGE_PX = 1.0
"""Choice: smoothing of the skin's colour at that size; more would blur the edges of its patches."""
PIXEL_NOISE_PX = 1.0
"""Choice: Gaussian that takes out sensor noise before the logarithm, at the working scale."""
DEVIATION_FLOOR = 2 / 255
"""Choice: least transmission of the ink map; below it a camera sees only noise."""
BRIGHTER_LIMIT = np.float32(2.0)
"""Choice: pixels brighter than skin count at most this many standard deviations, or the rim of a
highlight would make the skin beside it look like ink."""
DARKER_LIMIT = np.float32(20.0)
"""Choice: pixels darker than skin count at most this many standard deviations."""
SAMPLE_PIXELS = 60_000
"""Choice: pixels from which medians and covariances are taken; more only cost time."""
PATCH_SHARE = 0.03
"""Choice: a dark place wider than this share of the longest side is skin, not ink."""
DOT_SIGMAS_PX = (1.25, 2.5, 5.0)
"""Choice: Gaussian scales of needle marks at the working scale, small mark to large one."""
SURROUND_RATIO = 1.6
"""Marr & Hildreth (1980), doi:10.1098/rspb.1980.0020: ratio of two Gaussians whose difference is
nearest to a Laplacian of Gaussian."""
NOISE_LOW = 1.5
"""Choice: response that still is skin, in robust standard deviations."""
NOISE_HIGH = 8.0
"""Choice: response that surely is ink, in robust standard deviations, unless the picture's own
strongest ink is above it."""
OUTLIER_DISTANCE = 3.0
"""Choice: Mahalanobis distance from the skin beyond which a pixel speaks for the ink's colour."""
STRONGEST_SHARE = 0.003
"""Choice: the strongest 0.3 % of the pixels set the full ink level (a mark of 40 needles on a third
of the picture's width covers about 0.5 %)."""


def unmix(
    pixels: ColorImage, stain_matrix: NDArray[np.float64], *, floor: float = OPTICAL_FLOOR
) -> NDArray[np.float32]:
    """Amount of each stain in each pixel by fixed colour deconvolution.

    Parameters
    ----------
    pixels : ColorImage
        (height, width, 3), RGB, uint8.
    stain_matrix : ndarray
        (3, 3): row = one stain's absorbance in red, green, blue. Must be invertible.
    floor : float
        Least transmission, so that black stays finite.

    Returns
    -------
    ndarray
        (height, width, 3), float32, >= 0: amounts in natural-log absorbance. Divided by
        ``-log(floor)`` this is scikit-image's ``separate_stains``.

    Raises
    ------
    ValueError
        If the matrix is not (3, 3) or cannot be inverted.

    References
    ----------
    Ruifrok & Johnston (2001), Anal. Quant. Cytol. Histol. 23, 291-299.
    """
    matrix = np.asarray(stain_matrix, np.float64)
    if matrix.shape != (3, 3) or abs(np.linalg.det(matrix)) < 1e-9:
        raise ValueError(
            f"stain matrix of shape {matrix.shape} cannot be inverted; expected three "
            "rows of three absorbances, no row a mixture of the others"
        )
    density = _optical_density(pixels, floor=floor)
    amounts = density.reshape(-1, 3) @ np.linalg.inv(matrix).astype(np.float32)
    return np.maximum(amounts, np.float32(0)).reshape(pixels.shape)


def separate_ink(
    pixels: ColorImage,
    *,
    not_seen: Mask | None = None,
    dot_sigmas_px: tuple[float, ...] = DOT_SIGMAS_PX,
) -> GrayImage:
    """How much each pixel looks like ink pressed into skin, whatever the two colours.

    Works on absorbance (Beer-Lambert: ink adds to it). The local colour of the skin is a median
    over a window wider than a stroke. What deviates from it is whitened by the skin's own
    variation; the direction in which the dark outliers lie is the ink's, and the pixels are
    projected on it (a matched filter). Blobs of the size of needle marks are then brought out by
    differences of Gaussians.

    Parameters
    ----------
    pixels : ColorImage
        (height, width, 3), RGB, uint8; best with even light.
    not_seen : Mask or None
        (height, width): pixels (glare, hair) that neither teach the colours nor show ink.
    dot_sigmas_px : tuple of float
        Gaussian scales of the blobs in pixels.

    Returns
    -------
    GrayImage
        (height, width), float32, 0 (skin, or not seen) .. 1 (ink).
    """
    hidden = np.zeros(pixels.shape[:2], np.bool_) if not_seen is None else not_seen
    deviation = _deviation_from_skin(pixels)
    deviation[hidden] = 0
    signal = _without_patches(_project_on_ink(deviation, hidden))
    response = np.zeros(signal.shape, np.float32)
    for sigma in dot_sigmas_px:
        blob = _blobs(signal, sigma)
        response = cv2.max(response, blob / max(_spread(_sample(blob, hidden)), 1e-6))
    return _as_share(response, hidden)


def _optical_density(pixels: ColorImage, *, floor: float) -> NDArray[np.float32]:
    table = -np.log(np.maximum(np.arange(256) / 255.0, floor))
    density: NDArray[np.float32] = cv2.LUT(pixels, table.astype(np.float32))
    return density


def _deviation_from_skin(pixels: ColorImage) -> NDArray[np.float32]:
    """Absorbance above that of the local skin, (height, width, 3), float32."""
    height, width = pixels.shape[:2]
    reduction = min(1.0, SKIN_SIDE_PX / max(height, width))
    size = (max(1, round(width * reduction)), max(1, round(height * reduction)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    window = max(3, round(SKIN_WINDOW_SHARE * max(size)) | 1)
    skin = cv2.GaussianBlur(cv2.medianBlur(small, window), (0, 0), SKIN_EDGE_PX)
    skin = cv2.resize(skin, (width, height), interpolation=cv2.INTER_LINEAR)
    smooth = cv2.GaussianBlur(pixels, (0, 0), PIXEL_NOISE_PX)
    deviation: NDArray[np.float32] = cv2.subtract(
        _optical_density(smooth, floor=DEVIATION_FLOOR),
        _optical_density(skin, floor=DEVIATION_FLOOR),
    )
    return deviation


def _project_on_ink(deviation: NDArray[np.float32], hidden: Mask) -> GrayImage:
    """Matched filter for the ink's colour, in units of the skin's own variation."""
    sample = _sample(deviation, hidden)
    if len(sample) < 16:
        return np.zeros(deviation.shape[:2], np.float32)
    middle = np.median(sample, axis=0)
    distance = np.linalg.norm(sample - middle, axis=1)
    core = sample[distance <= np.quantile(distance, 0.8)].astype(np.float64)
    covariance = np.cov(core.T) + np.eye(3) * 1e-5
    precision = np.linalg.inv(covariance)
    centred = (sample - middle).astype(np.float64)
    mahalanobis = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", centred, precision, centred), 0))
    darker = centred.sum(axis=1) > 0
    outliers = centred[(mahalanobis > OUTLIER_DISTANCE) & darker]
    ink = np.median(outliers, axis=0) if len(outliers) >= 8 else np.ones(3)
    weights = precision @ ink
    weights /= np.sqrt(max(float(ink @ precision @ ink), 1e-12))
    row = weights.astype(np.float32).reshape(1, 3)
    signal = cv2.transform(deviation, row) - np.float32(middle @ weights)
    signal[hidden] = 0
    limited: GrayImage = np.clip(signal, -BRIGHTER_LIMIT, DARKER_LIMIT)
    return limited


def _without_patches(signal: GrayImage) -> GrayImage:
    """White top-hat: a patch wider than a stroke (darker skin) is taken out, edge and all.

    The opening is made on minima over blocks, which is exact up to the size of a block.
    """
    height, width = signal.shape
    disc_px = PATCH_SHARE * max(height, width)
    block = max(1, round(disc_px / 8))
    if min(height, width) < 4 * block:
        return signal
    size = (width // block, height // block)
    minima = cv2.erode(signal, np.ones((block, block), np.uint8))
    small = cv2.resize(minima, size, interpolation=cv2.INTER_NEAREST)
    side = 2 * round(disc_px / block / 2) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    opened = cv2.morphologyEx(small, cv2.MORPH_OPEN, disc)
    wide = cv2.resize(opened, (width, height), interpolation=cv2.INTER_LINEAR)
    kept: GrayImage = np.maximum(cv2.subtract(signal, wide), np.float32(0))
    return kept


def _blobs(signal: GrayImage, sigma: float) -> GrayImage:
    """Difference of Gaussians at one scale; wide ones on a reduced picture, which loses nothing."""
    reduction = 1
    while sigma / reduction >= 2.5:
        reduction *= 2
    height, width = signal.shape
    size = (max(1, width // reduction), max(1, height // reduction))
    small = signal if reduction == 1 else cv2.resize(signal, size, interpolation=cv2.INTER_AREA)
    inner = cv2.GaussianBlur(small, (0, 0), sigma / reduction)
    outer = cv2.GaussianBlur(small, (0, 0), sigma * SURROUND_RATIO / reduction)
    blob: GrayImage = cv2.subtract(inner, outer)
    if reduction > 1:
        blob = cv2.resize(blob, (width, height), interpolation=cv2.INTER_LINEAR)
    return blob


def _sample(image: NDArray[np.float32], hidden: Mask) -> NDArray[np.float32]:
    """Pixels of a regular grid that are seen; at most about SAMPLE_PIXELS of them."""
    step = max(1, round(np.sqrt(hidden.size / SAMPLE_PIXELS)))
    chosen: NDArray[np.float32] = image[::step, ::step][~hidden[::step, ::step]]
    return chosen


def _spread(values: NDArray[np.float32]) -> float:
    """Standard deviation by the median absolute deviation (factor of a normal distribution)."""
    if values.size == 0:
        return 0.0
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _as_share(response: GrayImage, hidden: Mask) -> GrayImage:
    seen = _sample(response, hidden)
    if seen.size == 0:
        return np.zeros(response.shape, np.float32)
    high = max(NOISE_HIGH, float(np.quantile(seen, 1 - STRONGEST_SHARE)))
    share: GrayImage = np.clip(
        (response - np.float32(NOISE_LOW)) / np.float32(high - NOISE_LOW), 0, 1
    )
    share[hidden] = 0
    return share
