"""A plain scene with a dotted mark, drawn without any part of the package."""

from __future__ import annotations

import cv2
import numpy as np
import skimage.data
from numpy.typing import NDArray

GLYPHS = {
    "A": "01110 10001 10001 11111 10001 10001 10001",
    "4": "00010 00110 01010 10010 11111 00010 00010",
    "7": "11111 00001 00010 00100 01000 01000 01000",
    "E": "11111 10000 10000 11110 10000 10000 11111",
}
"""Common 5 x 7 dot letters, written down from memory."""


def motion_kernel(length: float, angle_deg: float) -> NDArray[np.float32]:
    """Uniform movement by ``length`` pixels; sums to one."""
    half = int(np.ceil(length / 2)) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1))
    angle = np.deg2rad(angle_deg)
    for step in np.linspace(-length / 2, length / 2, 16 * half + 1):
        x, y = half + np.cos(angle) * step, half + np.sin(angle) * step
        column, row = int(np.floor(x)), int(np.floor(y))
        right, down = x - column, y - row
        kernel[row, column] += (1 - right) * (1 - down)
        kernel[row, column + 1] += right * (1 - down)
        kernel[row + 1, column] += (1 - right) * down
        kernel[row + 1, column + 1] += right * down
    return (kernel / kernel.sum()).astype(np.float32)


def skin(height: int, width: int) -> NDArray[np.float32]:
    """Pinkish skin with a fine natural texture (skimage.data.gravel, much flattened)."""
    gravel = skimage.data.gravel().astype(np.float32) - float(skimage.data.gravel().mean())
    tiles = np.tile(gravel, (height // 512 + 1, width // 512 + 1))[:height, :width]
    return np.array([205.0, 165.0, 150.0], np.float32) + 0.12 * tiles[:, :, None]


def draw_mark(
    canvas: NDArray[np.float32], text: str, *, left: float, top: float, height: float
) -> tuple[NDArray[np.float64], ...]:
    """Punch dots into a canvas (changed) and return each character's corners."""
    pitch = height / 6
    quads = []
    for index, character in enumerate(text):
        x0 = left + index * pitch * 6.5
        for row, line in enumerate(GLYPHS[character].split()):
            for column, bit in enumerate(line):
                if bit == "1":
                    centre = (round((x0 + column * pitch) * 16), round((top + row * pitch) * 16))
                    radius = round(0.28 * pitch * 16)
                    cv2.circle(canvas, centre, radius, (60, 85, 75), -1, cv2.LINE_AA, 4)
        right, bottom = x0 + 4 * pitch, top + 6 * pitch
        quads.append(np.array([[x0, top], [right, top], [right, bottom], [x0, bottom]]))
    return tuple(quads)


def as_photo(
    canvas: NDArray[np.float32], *, noise: float = 2.0, seed: int = 0
) -> NDArray[np.uint8]:
    """Add sensor noise and round to bytes."""
    rng = np.random.default_rng(seed)
    noisy = canvas + rng.normal(0, noise, canvas.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
