"""Random fields the other effects are made of: smooth, fractal and stretched noise."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage

_CUBIC_STD = 1.17
"""Measured here: cubic interpolation of unit noise loses about a seventh of its deviation."""


def white_noise(rng: np.random.Generator, shape: tuple[int, int]) -> GrayImage:
    """Independent standard normal values, float32, of shape (height, width)."""
    return rng.standard_normal(shape, dtype=np.float32)


def smooth_noise(rng: np.random.Generator, shape: tuple[int, int], *, scale_px: float) -> GrayImage:
    """Noise of about zero mean and unit deviation whose features are ``scale_px`` wide.

    Parameters
    ----------
    rng : Generator
    shape : (height, width)
    scale_px : float
        Distance between independent values, pixels; below 1.5 the noise is white.

    Returns
    -------
    ndarray of float32, (height, width)
    """
    if scale_px < 1.5:
        return white_noise(rng, shape)
    height, width = shape
    rows = math.ceil(height / scale_px) + 3
    columns = math.ceil(width / scale_px) + 3
    grid = rng.standard_normal((rows, columns), dtype=np.float32)
    size = (math.ceil(columns * scale_px), math.ceil(rows * scale_px))
    field = cv2.resize(grid, size, interpolation=cv2.INTER_CUBIC)
    left, top = (int(scale_px * value) for value in rng.uniform(0.5, 1.5, size=2))
    field = field[top : top + height, left : left + width]
    return np.asarray(field * np.float32(_CUBIC_STD), dtype=np.float32)


def blur(field: NDArray[np.float32], *, sigma_px: float) -> NDArray[np.float32]:
    """Gaussian blur; wide ones are calculated on a smaller copy (1 or 3 channels)."""
    shrink = int(min(max(sigma_px / 3.0, 1.0), min(field.shape[:2]) / 4 + 1))
    if shrink < 2:
        return np.asarray(cv2.GaussianBlur(field, (0, 0), max(sigma_px, 0.1)), dtype=np.float32)
    height, width = field.shape[:2]
    size = (math.ceil(width / shrink), math.ceil(height / shrink))
    small = cv2.resize(field, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / shrink)
    wide = cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide, dtype=np.float32)


def fractal_noise(
    rng: np.random.Generator,
    shape: tuple[int, int],
    *,
    scale_px: float,
    octaves: int = 3,
    persistence: float = 0.55,
) -> GrayImage:
    """Sum of smooth noises, each half as wide and ``persistence`` as strong as the one before.

    Returns
    -------
    ndarray of float32, (height, width)
        About zero mean and unit deviation.
    """
    finest = scale_px / 2.0 ** (octaves - 1)
    if finest >= 8.0:
        small = (math.ceil(shape[0] / 4), math.ceil(shape[1] / 4))
        field = fractal_noise(
            rng, small, scale_px=scale_px / 4.0, octaves=octaves, persistence=persistence
        )
        wide = cv2.resize(field, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
        return np.asarray(wide, dtype=np.float32)
    total = smooth_noise(rng, shape, scale_px=scale_px)
    gain, power = 1.0, 1.0
    for _ in range(octaves - 1):
        scale_px /= 2.0
        gain *= persistence
        power += gain * gain
        if scale_px < 1.5:
            break
        cv2.scaleAdd(smooth_noise(rng, shape, scale_px=scale_px), gain, total, total)
    return np.asarray(total / np.float32(math.sqrt(power)), dtype=np.float32)


def stretched_noise(
    rng: np.random.Generator,
    shape: tuple[int, int],
    *,
    along_px: float,
    across_px: float,
    angle_deg: float,
) -> GrayImage:
    """Noise whose features are long in one direction: wrinkles, wood grain, combed fur.

    Parameters
    ----------
    along_px, across_px : float
        Size of a feature along and across the direction, pixels, at least 1.
    angle_deg : float
        Direction, counter-clockwise from the picture's right.

    Returns
    -------
    ndarray of float32, (height, width)
        About zero mean and unit deviation.
    """
    height, width = shape
    along_px, across_px = max(along_px, 1.0), max(across_px, 1.0)
    diagonal = math.hypot(height, width)
    size_along = math.ceil(diagonal / along_px) + 4
    size_across = math.ceil(diagonal / across_px) + 4
    grid = rng.standard_normal((size_across, size_along), dtype=np.float32)
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    turn = np.array([[cosine, -sine], [sine, cosine]])
    scale = np.diag([1 / along_px, 1 / across_px])
    linear = scale @ turn
    middle = np.array([(size_along - 1) / 2, (size_across - 1) / 2])
    offset = middle - linear @ np.array([(width - 1) / 2, (height - 1) / 2])
    matrix = np.column_stack([linear, offset])
    field = cv2.warpAffine(
        grid,
        matrix,
        (width, height),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT,
    )
    return np.asarray(field * np.float32(_CUBIC_STD), dtype=np.float32)


def three_channels(field: GrayImage) -> NDArray[np.float32]:
    """The same values in three channels, contiguous: ten times faster to calculate with than a
    broadcast last axis (measured here)."""
    return np.asarray(cv2.merge((field, field, field)), dtype=np.float32)


def soft_step(field: GrayImage, *, threshold: float, width: float) -> GrayImage:
    """Smooth 0..1 step of a field around a threshold, e.g. to make patches out of noise."""
    ramp = (field - np.float32(threshold)) / np.float32(max(width, 1e-6)) + np.float32(0.5)
    ramp = np.clip(ramp, 0.0, 1.0)
    return np.asarray(ramp * ramp * (3.0 - 2.0 * ramp), dtype=np.float32)
