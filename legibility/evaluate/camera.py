"""From a scene to a file's pixels: focus, shake, exposure, noise, and a phone's processing."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage
from legibility.evaluate.skins import FloatColor
from legibility.evaluate.textures import blur


def take(scene: FloatColor, *, height_px: float, rng: np.random.Generator) -> ColorImage:
    """Photograph a scene.

    Parameters
    ----------
    scene : ndarray of float32, (height, width, 3), sRGB 0..1
    height_px : float
        Height of a character: blur is drawn relative to it, so that most photos stay usable.
    rng : numpy.random.Generator
        The same state gives the same camera, noise included, for another scene.

    Returns
    -------
    ndarray of uint8, (height, width, 3)
    """
    picture = _focus(scene, height_px=height_px, rng=rng)
    picture = _expose(picture, rng=rng)
    picture = _sensor_noise(picture, rng=rng)
    picture = _phone(picture, height_px=height_px, rng=rng)
    pixels = np.clip(picture * 255.0 + 0.5, 0.0, 255.0).astype(np.uint8)
    return _recompress(pixels, rng=rng)


def _focus(scene: FloatColor, *, height_px: float, rng: np.random.Generator) -> FloatColor:
    soft = abs(float(rng.normal(0.0, 0.022))) * height_px + rng.uniform(0.3, 0.9)
    picture = blur(scene, sigma=soft)
    length = height_px * rng.uniform(0.02, 0.16)
    shaken = rng.random() < 0.18
    angle = rng.uniform(0, np.pi)
    if shaken and length >= 1.5:
        size = 2 * int(np.ceil(length / 2)) + 3
        kernel = np.zeros((size, size), dtype=np.float32)
        middle = (size - 1) / 2
        dx, dy = np.cos(angle) * length / 2, np.sin(angle) * length / 2
        ends = np.array(((middle - dx, middle - dy), (middle + dx, middle + dy))) * 16
        first, last = np.round(ends).astype(int).tolist()
        cv2.line(kernel, first, last, 1.0, 1, cv2.LINE_AA, 4)
        picture = cv2.filter2D(picture, -1, kernel / max(float(kernel.sum()), 1e-6))
    return np.asarray(picture, dtype=np.float32)


def _expose(picture: FloatColor, *, rng: np.random.Generator) -> FloatColor:
    gain = np.exp(rng.normal(0.05, 0.12)) * np.exp(rng.normal(0.0, 0.03, 3))
    gamma = np.exp(rng.normal(0.0, 0.10))
    lifted = cv2.pow(np.clip(picture, 0.0, 1.0), float(gamma)) * gain.astype(np.float32)
    black = rng.uniform(0.0, 0.04)
    return np.asarray(np.clip(lifted, 0.0, 1.0) * (1.0 - black) + black, dtype=np.float32)


def _sensor_noise(picture: FloatColor, *, rng: np.random.Generator) -> FloatColor:
    """Poisson-Gaussian in linear light, film grain, or blotchy colour noise."""
    height, width = picture.shape[:2]
    kind = int(rng.integers(3))
    amount = rng.uniform(0.2, 1.0)
    if kind == 0:
        linear = cv2.pow(np.clip(picture, 0.0, 1.0), 2.2)
        deviation = np.sqrt(linear * 0.0016 * amount + (0.006 * amount) ** 2)
        noise = rng.standard_normal(picture.shape, dtype=np.float32)
        noisy = cv2.pow(np.clip(linear + deviation * noise, 0.0, 1.0), 1 / 2.2)
    elif kind == 1:
        grain = rng.standard_normal((height, width), dtype=np.float32)
        grain = blur(grain, sigma=float(rng.uniform(0.5, 1.3)))
        grain = grain / max(float(grain.std()), 1e-6) * 0.045 * amount
        noisy = picture * (1.0 + grain[..., None])
    else:
        size = (max(2, width // 3), max(2, height // 3))
        colour = rng.standard_normal((size[1], size[0], 3), dtype=np.float32)
        blotch = cv2.resize(colour, (width, height), interpolation=cv2.INTER_LINEAR)
        fine = rng.standard_normal((height, width), dtype=np.float32)
        noisy = picture + 0.03 * amount * blotch + 0.015 * amount * fine[..., None]
    return np.asarray(np.clip(noisy, 0.0, 1.0), dtype=np.float32)


def _phone(picture: FloatColor, *, height_px: float, rng: np.random.Generator) -> FloatColor:
    """Denoising that smears, a detour through fewer pixels, and sharpening with haloes."""
    height, width = picture.shape[:2]
    smears, detour, sharpens = rng.random(3) < (0.25, 0.35, 0.4)
    factor = rng.uniform(0.45, 0.9)
    strength = rng.uniform(0.3, 1.4)
    radius = rng.uniform(0.8, 2.0)
    if smears:
        picture = cv2.bilateralFilter(picture, 5, 0.06, 2.0)
    if detour and height_px * factor > 14.0:
        size = (max(2, round(width * factor)), max(2, round(height * factor)))
        small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        picture = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)
    if sharpens:
        picture = picture + strength * (picture - blur(picture, sigma=radius))
    return np.asarray(np.clip(picture, 0.0, 1.0), dtype=np.float32)


def _recompress(pixels: ColorImage, *, rng: np.random.Generator) -> ColorImage:
    """One to two rounds of JPEG or WebP."""
    for _ in range(int(rng.integers(1, 3))):
        quality = int(rng.integers(35, 96))
        as_webp = bool(rng.random() < 0.25)
        flag = cv2.IMWRITE_WEBP_QUALITY if as_webp else cv2.IMWRITE_JPEG_QUALITY
        pixels = _through_file(pixels, ".webp" if as_webp else ".jpg", [flag, quality])
    return pixels


def _through_file(pixels: ColorImage, extension: str, options: list[int]) -> ColorImage:
    bgr = cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    _, data = cv2.imencode(extension, bgr, options)
    decoded = cv2.imdecode(np.asarray(data, dtype=np.uint8), cv2.IMREAD_COLOR)
    result: NDArray[np.uint8] = np.asarray(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB), dtype=np.uint8)
    return result
