"""Light: from the side, from a torch, from behind through the ear, and glare on wet skin."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage
from legibility.simulate.texture import blur, fractal_noise, soft_step, three_channels

_THROUGH: Final = np.array([0.50, 0.15, 0.075], dtype=np.float32)
"""Choice: share of light that a bloodless ear lets through; red goes furthest."""
_THROUGH_PATH: Final = 1.5
"""Choice: pigment and blood count more in light that crosses the whole ear."""
_SURFACE: Final = 0.018
"""Choice: light mirrored by the surface in all directions; keeps black skin from being black."""


@dataclass(frozen=True, slots=True)
class LightSpec:
    """Lamps around the ear."""

    direction_deg: float
    """Where the main light comes from, counter-clockwise from the picture's right."""
    raking: float
    """How flat it falls on the skin: 0 from the front .. 1 along the skin."""
    gradient: float
    """Fall-off over the picture, 0..0.8."""
    color: tuple[float, float, float]
    """Of the main light."""
    torch: float
    """Brightness of a torch's spot relative to the main light, 0..3."""
    torch_at: tuple[float, float]
    """Middle of the spot, shares of width and height."""
    torch_size: float
    """Deviation of the spot, share of the width."""
    behind: float
    """Light from behind as a share of all light, 0..1."""
    wet: float
    """Wetness, 0..1."""
    shadow: float
    """Depth of a cast shadow, 0..0.7."""


def sample_light(rng: np.random.Generator, *, behind: bool | None = None) -> LightSpec:
    """Light drawn at random; ``behind`` asks for or forbids light through the ear."""
    if behind is None:
        behind = bool(rng.random() < 0.15)
    warm = float(rng.normal(0.0, 0.08))
    return LightSpec(
        direction_deg=float(rng.uniform(0.0, 360.0)),
        raking=float(rng.beta(1.3, 2.2)),
        gradient=float(rng.uniform(0.0, 0.7)),
        color=(1.0 + warm, 1.0, 1.0 - warm),
        torch=float(rng.uniform(0.5, 2.5)) if rng.random() < 0.2 else 0.0,
        torch_at=(float(rng.uniform(0.15, 0.85)), float(rng.uniform(0.15, 0.85))),
        torch_size=float(rng.uniform(0.1, 0.35)),
        behind=float(rng.uniform(0.6, 0.95)) if behind else 0.0,
        wet=float(rng.uniform(0.2, 1.0)) if rng.random() < 0.15 else 0.0,
        shadow=float(rng.uniform(0.2, 0.6)) if rng.random() < 0.2 else 0.0,
    )


def shading(relief: GrayImage, spec: LightSpec) -> GrayImage:
    """Brightness from the slope of the surface towards the light, (height, width) float32, ~1."""
    right = math.cos(math.radians(spec.direction_deg))
    down = -math.sin(math.radians(spec.direction_deg))
    kernel = np.array([[0, -down, 0], [-right, 0, right], [0, down, 0]], dtype=np.float32) * 0.5
    slope = cv2.filter2D(relief, -1, -kernel, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(np.clip(1.0 + (0.25 + 0.9 * spec.raking) * slope, 0.25, 1.9), np.float32)


def irradiance(
    spec: LightSpec, shape: tuple[int, int], *, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Light that falls on each place, (height, width, 3) float32."""
    height, width = shape
    x = np.linspace(-0.5, 0.5, width, dtype=np.float32)[None, :]
    y = np.linspace(-0.5, 0.5, height, dtype=np.float32)[:, None]
    right = math.cos(math.radians(spec.direction_deg))
    down = -math.sin(math.radians(spec.direction_deg))
    level = np.clip(1.0 + 1.4 * spec.gradient * (x * right + y * down), 0.15, 2.5)
    if spec.shadow > 0:
        field = fractal_noise(
            rng, (height // 8 + 1, width // 8 + 1), scale_px=width / 20, octaves=2
        )
        shade = soft_step(field, threshold=float(rng.uniform(-0.4, 0.6)), width=0.35)
        level = level * (1.0 - spec.shadow * cv2.resize(shade, (width, height)))
    light = cv2.merge([level * np.float32(value) for value in spec.color])
    if spec.torch > 0:
        dx, dy = x + 0.5 - spec.torch_at[0], (y + 0.5 - spec.torch_at[1]) * (height / width)
        spot = spec.torch * np.exp(-(dx**2 + dy**2) / np.float32(2 * spec.torch_size**2))
        light = light + cv2.merge([spot, spot * np.float32(0.97), spot * np.float32(0.9)])
    return np.asarray(light, dtype=np.float32)


def transmittance(
    absorbance: NDArray[np.float32], spec: LightSpec, *, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Share of light from behind that comes through the ear, (height, width, 3) float32."""
    height, width = absorbance.shape[:2]
    field = fractal_noise(rng, (height // 8 + 1, width // 8 + 1), scale_px=width / 24, octaves=2)
    thick = 1.0 + 0.10 * cv2.resize(field, (width, height), interpolation=cv2.INTER_LINEAR)
    bare = tuple(float(value) for value in np.log(_THROUGH))
    path = cv2.add(absorbance * np.float32(-_THROUGH_PATH), (*bare, 0.0))
    return np.asarray(cv2.exp(path * three_channels(thick)), dtype=np.float32)


def glare_map(
    relief: GrayImage, spec: LightSpec, *, px_per_mm: float, rng: np.random.Generator
) -> GrayImage:
    """Mirrored light on wet skin, (height, width) float32; 1 is brighter than white skin."""
    if spec.wet <= 0:
        return np.zeros_like(relief)
    right = math.cos(math.radians(spec.direction_deg))
    down = -math.sin(math.radians(spec.direction_deg))
    smooth = blur(relief, sigma_px=max(0.35 * px_per_mm, 0.8))
    slope_x = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125)
    slope_y = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125)
    tilt_x = slope_x + np.float32(0.22 * right)
    tilt_y = slope_y + np.float32(0.22 * down)
    width = 0.05 + 0.09 * spec.wet
    lobe = np.exp(-(tilt_x**2 + tilt_y**2) / np.float32(2 * width**2))
    field = fractal_noise(rng, relief.shape, scale_px=max(10.0 * px_per_mm, 4.0), octaves=2)
    wetted = soft_step(field, threshold=1.1 - 1.6 * spec.wet, width=0.8)
    return np.asarray(2.2 * spec.wet * lobe * wetted, dtype=np.float32)


def radiance(
    reflectance: NDArray[np.float32],
    through: NDArray[np.float32] | None,
    light: NDArray[np.float32],
    glare: GrayImage,
    spec: LightSpec,
) -> NDArray[np.float32]:
    """Light that leaves the ear towards the camera, (height, width, 3) float32, linear."""
    seen = (reflectance + np.float32(_SURFACE)) * light
    if through is not None and spec.behind > 0:
        back = np.float32(4.0 * spec.behind)
        seen = seen * np.float32(1.0 - spec.behind) + back * through
    if spec.wet > 0:
        seen = seen + three_channels(glare * np.float32(0.5)) * light
    return np.asarray(seen, dtype=np.float32)
