"""Local thresholds for print on uneven light, by box filters.

scikit-image has both; its integral images take about five times as long on a strip, and a strip is
cut for each row of each photo.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

SAUVOLA_K = 0.2
"""Sauvola & Pietikäinen (2000) use 0.5 for print; 0.2 is scikit-image's default."""
SAUVOLA_RANGE = 128.0
"""Sauvola & Pietikäinen (2000): dynamic range of the standard deviation for 8-bit pictures."""
NIBLACK_K = 0.8
"""scikit-image's default."""


def sauvola(
    gray: NDArray[np.uint8],
    *,
    window_px: int = 25,
    k: float = SAUVOLA_K,
    dynamic_range: float = SAUVOLA_RANGE,
) -> NDArray[np.float64]:
    """Threshold of Sauvola & Pietikäinen: T = m (1 + k (s / R - 1)).

    Parameters
    ----------
    gray : ndarray
        (height, width), uint8.
    window_px : int
        Side of the window, odd, >= 3.
    k, dynamic_range : float
        Weight of the deviation, and its range R in grey levels.

    Returns
    -------
    ndarray
        (height, width), float64, grey levels; a pixel above is paper. The border is reflected.

    Raises
    ------
    ValueError
        If the window is even or below 3.

    References
    ----------
    Sauvola & Pietikäinen (2000), doi:10.1016/S0031-3203(99)00055-2.
    """
    mean, deviation = _mean_and_deviation(gray, window_px)
    threshold: NDArray[np.float64] = mean * (1 + k * (deviation / dynamic_range - 1))
    return threshold


def niblack(
    gray: NDArray[np.uint8], *, window_px: int = 25, k: float = NIBLACK_K
) -> NDArray[np.float64]:
    """Threshold of Niblack with scikit-image's sign: T = m - k s; arguments as for Sauvola."""
    mean, deviation = _mean_and_deviation(gray, window_px)
    threshold: NDArray[np.float64] = mean - k * deviation
    return threshold


def _mean_and_deviation(
    gray: NDArray[np.uint8], window_px: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if window_px < 3 or window_px % 2 == 0:
        raise ValueError(f"window_px is {window_px}; expected an odd number of at least 3")
    half = window_px // 2
    values = np.pad(gray.astype(np.float64), half, mode="reflect")
    box = (window_px, window_px)
    inner = (slice(half, half + gray.shape[0]), slice(half, half + gray.shape[1]))
    mean = cv2.boxFilter(values, cv2.CV_64F, box)[inner]
    square = cv2.sqrBoxFilter(values, cv2.CV_64F, box)[inner]
    return mean, np.sqrt(np.maximum(square - mean**2, 0))
