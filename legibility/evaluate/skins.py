"""Ears for the evaluation scenes: skin made from photographs, an outline, light, and veins."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.evaluate.textures import (
    BACKGROUNDS,
    SKIN_TEXTURES,
    blur,
    fine_structure,
    patch,
    slow_noise,
)

FloatColor: TypeAlias = NDArray[np.float32]
"""(height, width, 3), float32, sRGB 0..1."""

SKIN_COLOURS: Final = {
    "pink": ((232, 178, 165), (214, 150, 138), (240, 196, 178)),
    "grey": ((168, 158, 150), (140, 134, 132), (188, 176, 166)),
    "dark": ((92, 70, 60), (70, 54, 50), (112, 88, 76)),
}
"""sRGB 0..255. Choice: by eye, so that pink, grey and dark ears look like ears."""

SKIN_KINDS: Final = ("pink", "grey", "dark", "mottled")


@dataclass(frozen=True, slots=True)
class Surface:
    """What the ink is pressed into."""

    pixels: FloatColor
    kind: str
    """One of ``SKIN_KINDS``."""
    ear: NDArray[np.float32]
    """(height, width), 0..1: 1 inside the ear."""
    back_lit: bool


def skin_surface(
    *,
    width: int,
    height: int,
    centre: tuple[float, float],
    mark_extent: tuple[float, float],
    rng: np.random.Generator,
) -> Surface:
    """Skin with an ear's outline around the place of the mark, lit from the front or from behind.

    Parameters
    ----------
    width, height : int
        Size, pixels.
    centre : (float, float)
        x, y of the mark, pixels.
    mark_extent : (float, float)
        Half width and half height of the mark's bounding box, pixels.
    rng : numpy.random.Generator
    """
    kind = str(rng.choice(SKIN_KINDS, p=(0.4, 0.2, 0.2, 0.2)))
    back_lit = bool(rng.random() < 0.15)
    skin = _skin_colour(kind, width=width, height=height, rng=rng)
    zoom = float(rng.uniform(0.8, 2.5)) * max(width, height) / 1200.0
    name = str(rng.choice(SKIN_TEXTURES))
    grain = fine_structure(name, width=width, height=height, zoom=zoom, rng=rng)
    depth = rng.uniform(0.008, 0.045)
    coarse = fine_structure(
        str(rng.choice(SKIN_TEXTURES)), width=width // 3, height=height // 3, zoom=zoom, rng=rng
    )
    second = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    relief = 1.0 + depth * grain + rng.uniform(0.0, 0.03) * second
    skin = skin * relief[..., None]
    skin = _with_veins(
        skin, strength=float(rng.uniform(0.0, 0.18)) * (2 if back_lit else 1), rng=rng
    )
    skin = _with_folds(skin, centre=centre, extent=mark_extent, rng=rng)
    ear = _outline(width=width, height=height, centre=centre, extent=mark_extent, rng=rng)
    if back_lit:
        skin = _back_light(skin, ear, rng=rng)
    background = _background(width=width, height=height, rng=rng)
    edge = blur(ear, sigma=max(1.0, 0.004 * width))
    rim = np.clip(1.0 - 0.35 * (blur(1.0 - ear, sigma=0.02 * width)), 0.0, 1.0)
    scene = background * (1.0 - edge[..., None]) + (skin * rim[..., None]) * edge[..., None]
    scene = scene * _lamp(width=width, height=height, rng=rng)[..., None]
    return Surface(np.clip(scene, 0.0, 1.0).astype(np.float32), kind, ear, back_lit)


def _skin_colour(kind: str, *, width: int, height: int, rng: np.random.Generator) -> FloatColor:
    def tone(name: str) -> NDArray[np.float32]:
        first, second = rng.choice(len(SKIN_COLOURS[name]), 2)
        a = np.array(SKIN_COLOURS[name][first], dtype=np.float32) / 255.0
        b = np.array(SKIN_COLOURS[name][second], dtype=np.float32) / 255.0
        tint = (1.0 + rng.normal(0.0, 0.02, 3)).astype(np.float32)
        share = slow_noise(width=width, height=height, cells=rng.uniform(2, 7), rng=rng)[..., None]
        return np.asarray((a * share + b * (1.0 - share)) * tint, dtype=np.float32)

    if kind != "mottled":
        return tone(kind)
    patches = slow_noise(width=width, height=height, cells=rng.uniform(5, 22), rng=rng)
    edge = rng.uniform(0.08, 0.5)
    share = np.clip((patches - rng.uniform(0.35, 0.65)) / edge + 0.5, 0.0, 1.0)[..., None]
    light = tone("pink" if rng.random() < 0.6 else "grey")
    dark = tone("dark" if rng.random() < 0.6 else "grey")
    return np.asarray(light * share + dark * (1.0 - share), dtype=np.float32)


def _with_veins(skin: FloatColor, *, strength: float, rng: np.random.Generator) -> FloatColor:
    """Dark branching vessels taken from the photograph of a retina."""
    height, width = skin.shape[:2]
    zoom = rng.uniform(0.8, 2.0) * max(width, height) / 1200.0
    green = patch("retina.jpg", width=width, height=height, zoom=zoom, rng=rng)[..., 1]
    vessels = np.clip(blur(green, sigma=14 * zoom) - blur(green, sigma=1.5 * zoom), 0.0, None)
    top = max(float(np.quantile(vessels, 0.995)), 1e-3)
    depth = strength * np.clip(vessels / top, 0.0, 1.0)
    tint = np.array((0.75, 1.0, 0.85), dtype=np.float32)
    return np.asarray(skin * (1.0 - depth[..., None] * tint), dtype=np.float32)


def _with_folds(
    skin: FloatColor,
    *,
    centre: tuple[float, float],
    extent: tuple[float, float],
    rng: np.random.Generator,
) -> FloatColor:
    """A few long ridges of cartilage: a bright side and a dark side."""
    height, width = skin.shape[:2]
    ys = np.arange(height, dtype=np.float32)[:, None]
    xs = np.arange(width, dtype=np.float32)[None, :]
    shade = np.ones((height, width), dtype=np.float32)
    for _ in range(int(rng.integers(0, 4))):
        angle = rng.uniform(0, np.pi)
        offset = rng.uniform(-1.0, 1.0) * (0.3 * width + max(extent))
        cosine, sine = float(np.cos(angle)), float(np.sin(angle))
        across = (xs - centre[0]) * cosine + (ys - centre[1]) * sine - offset
        along = -(xs - centre[0]) * sine + (ys - centre[1]) * cosine
        across = across + 0.05 * width * np.sin(along / (0.3 * width) + rng.uniform(0, 6.3))
        spread = rng.uniform(0.01, 0.05) * width
        ridge = across / spread * np.exp(-0.5 * (across / spread) ** 2)
        shade += rng.uniform(0.03, 0.18) * ridge
    return np.asarray(skin * np.clip(shade, 0.5, 1.4)[..., None], dtype=np.float32)


def _outline(
    *,
    width: int,
    height: int,
    centre: tuple[float, float],
    extent: tuple[float, float],
    rng: np.random.Generator,
) -> NDArray[np.float32]:
    """A leaf-like closed outline that holds the mark with some skin around it."""
    reach = max(extent)
    radius = rng.uniform(1.5, 3.2) * reach + rng.uniform(0.05, 0.4) * width
    angles = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    shape = np.ones_like(angles)
    for order in range(1, 5):
        shape += rng.normal(0.0, 0.09 / order) * np.cos(order * angles + rng.uniform(0, 6.3))
    stretch = rng.uniform(1.0, 1.6)
    turn = rng.uniform(0, np.pi)
    across, along = np.cos(angles) * stretch, np.sin(angles)
    xs = across * np.cos(turn) - along * np.sin(turn)
    ys = across * np.sin(turn) + along * np.cos(turn)
    shape = np.maximum(shape * radius, 1.35 * np.hypot(*extent) / np.hypot(xs, ys))
    outline = np.stack((centre[0] + xs * shape, centre[1] + ys * shape), axis=1)
    mask = np.zeros((height, width), dtype=np.float32)
    cv2.fillPoly(mask, [np.round(outline).astype(np.int32)], 1.0)
    return mask


def _back_light(
    skin: FloatColor, ear: NDArray[np.float32], *, rng: np.random.Generator
) -> FloatColor:
    """Light through the ear: warm, brighter where thin (towards the edge)."""
    height, width = ear.shape
    thickness = blur(ear, sigma=0.12 * width)
    glow = np.clip(1.35 - 0.6 * thickness, 0.4, 1.3)[..., None]
    warm = np.array((1.25, rng.uniform(0.68, 0.9), rng.uniform(0.5, 0.75)), dtype=np.float32)
    hot = slow_noise(width=width, height=height, cells=2.0, rng=rng)[..., None]
    return np.asarray(skin * warm * glow * (0.75 + 0.5 * hot), dtype=np.float32)


def _background(*, width: int, height: int, rng: np.random.Generator) -> FloatColor:
    zoom = rng.uniform(1.0, 4.0) * max(width, height) / 1200.0
    piece = patch(str(rng.choice(BACKGROUNDS)), width=width, height=height, zoom=zoom, rng=rng)
    tint = np.array(
        (rng.uniform(0.6, 1.0), rng.uniform(0.6, 1.0), rng.uniform(0.5, 0.9)), np.float32
    )
    soft = blur(piece, sigma=float(rng.uniform(0.0, 6.0)) * width / 1200.0)
    return np.asarray(soft * tint * rng.uniform(0.4, 1.0), dtype=np.float32)


def _lamp(*, width: int, height: int, rng: np.random.Generator) -> NDArray[np.float32]:
    """Uneven light: a slope, a soft spot of a torch now and then, and dark corners."""
    u = np.arange(width, dtype=np.float32)[None, :] / width - 0.5
    v = np.arange(height, dtype=np.float32)[:, None] / height - 0.5
    angle = rng.uniform(0, 2 * np.pi)
    light = 1.0 + rng.uniform(0.0, 0.5) * (u * float(np.cos(angle)) + v * float(np.sin(angle)))
    if rng.random() < 0.3:
        cx, cy = rng.uniform(-0.35, 0.35, 2).tolist()
        spread = rng.uniform(0.12, 0.35)
        spot = np.exp(-((u - cx) ** 2 + (v - cy) ** 2) / (2 * spread**2))
        light = light * (0.65 + rng.uniform(0.4, 0.8) * spot)
    light = light * (1.0 - rng.uniform(0.0, 0.45) * (u**2 + v**2))
    return np.asarray(light * rng.uniform(0.88, 1.18), dtype=np.float32)
