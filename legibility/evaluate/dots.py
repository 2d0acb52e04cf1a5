"""Ink as it sits in the skin: dots of many shapes, smears, bleed, and fading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import Points
from legibility.evaluate.skins import FloatColor
from legibility.evaluate.textures import blur, slow_noise

INKS: Final = {
    "green": (38, 104, 66),
    "black": (34, 34, 40),
    "red-brown": (112, 44, 36),
    "blue-green": (66, 110, 118),
}
"""sRGB 0..255. Choice: by eye."""

SHAPES: Final = ("ellipse", "ring", "blob", "smear")


STRENGTH: Final = ((0.75, 1.00), (0.50, 0.75), (0.30, 0.50), (0.15, 0.30), (0.0, 0.015))
"""Mean ink left at the five levels of fading. Choice, no source: 3 is at the edge of sight."""

LOSS: Final = ((0.0, 0.03), (0.01, 0.10), (0.05, 0.20), (0.15, 0.40), (0.95, 1.0))
"""Share of needles without ink at the five levels. Choice, no source."""


@dataclass(frozen=True, slots=True)
class Fade:
    """How much ink the needles of one mark still hold."""

    strengths: NDArray[np.float64]
    """(n,), 0..1."""
    mean: float
    sd: float
    loss: float


def fade(*, level: int, cells: NDArray[np.int64], rng: np.random.Generator) -> Fade:
    """Ink left in each needle; dies that took badly share their fate.

    Parameters
    ----------
    level : int
        0..4, index into ``STRENGTH`` and ``LOSS``.
    cells : ndarray of int64, (n,)
        Which character each needle belongs to.
    """
    mean = rng.uniform(*STRENGTH[level])
    loss = rng.uniform(*LOSS[level])
    sd = 0.22 * mean
    per_cell = np.clip(rng.normal(1.0, 0.12, int(cells.max()) + 1), 0.6, 1.3)
    strengths = mean * per_cell[cells] * np.clip(rng.normal(1.0, 0.18, len(cells)), 0.35, 1.6)
    strengths[rng.random(len(cells)) < loss] = 0.0
    return Fade(np.clip(strengths, 0.0, 1.0), mean, sd, loss)


def ink_density(
    points: Points,
    strengths: NDArray[np.float64],
    *,
    radius_px: float,
    shape: tuple[int, int],
    rng: np.random.Generator,
) -> NDArray[np.float32]:
    """Picture of the share of each pixel's light that meets ink, before bleeding.

    Parameters
    ----------
    points : ndarray of float64, (n, 2)
        Needles, pixels.
    strengths : ndarray of float64, (n,)
    radius_px : float
        Mean radius of a dot.
    shape : (int, int)
        Height and width of the picture.

    Returns
    -------
    ndarray of float32, (height, width), 0..1
    """
    density = np.zeros(shape, dtype=np.float32)
    kind = str(rng.choice(SHAPES, p=(0.5, 0.12, 0.28, 0.10)))
    smear = rng.uniform(0, 2 * np.pi)
    spread = rng.uniform(0.05, 0.25)
    for (x, y), strength in zip(points, strengths, strict=True):
        draw = rng.normal(size=8)
        radius = radius_px * float(np.clip(1.0 + spread * draw[0], 0.5, 1.8))
        _stamp(
            density, x=x, y=y, radius=radius, strength=strength, kind=kind, smear=smear, draw=draw
        )
    return density


def _stamp(
    density: NDArray[np.float32],
    *,
    x: float,
    y: float,
    radius: float,
    strength: float,
    kind: str,
    smear: float,
    draw: NDArray[np.float64],
) -> None:
    """Add one dot to ``density``, which is changed in place."""
    reach = int(np.ceil(radius * (4.0 if kind == "smear" else 2.2))) + 2
    left, top = max(0, int(x) - reach), max(0, int(y) - reach)
    right, bottom = (
        min(density.shape[1], int(x) + reach + 1),
        min(density.shape[0], int(y) + reach + 1),
    )
    if strength <= 0 or right <= left or bottom <= top:
        return
    ys, xs = np.mgrid[top:bottom, left:right].astype(np.float32)
    turn = smear if kind == "smear" else draw[1] * 3.0
    u = (xs - x) * np.cos(turn) + (ys - y) * np.sin(turn)
    v = -(xs - x) * np.sin(turn) + (ys - y) * np.cos(turn)
    if kind == "smear":
        tail = 1.8 + 0.5 * abs(float(draw[2]))
        u = np.where(u > 0, u / tail, u)
    else:
        u = u / (1.0 + 0.18 * abs(float(draw[2])))
    distance = np.hypot(u, v)
    if kind == "blob":
        bearing = np.arctan2(v, u)
        wobble = sum(0.16 / k * draw[2 + k] * np.cos(k * bearing + 2 * draw[k]) for k in (2, 3, 4))
        distance = distance / (1.0 + np.clip(wobble, -0.45, 0.45))
    edge = max(0.35 * radius, 0.7)
    cover = np.clip((radius - distance) / edge + 0.5, 0.0, 1.0)
    if kind == "ring":
        cover = cover * (0.35 + 0.65 * np.clip(distance / radius, 0.0, 1.0) ** 2)
    area = density[top:bottom, left:right]
    area[...] = 1.0 - (1.0 - area) * (1.0 - strength * cover.astype(np.float32))


def bleed(
    density: NDArray[np.float32], *, radius_px: float, level: int, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Ink that has crept into the skin: a sharp and a spread part, mixed by slow noise."""
    near = blur(density, sigma=radius_px * rng.uniform(0.15, 0.5))
    far = blur(density, sigma=radius_px * rng.uniform(0.8, 1.4 + 0.25 * min(level, 3)))
    height, width = density.shape
    share = slow_noise(width=width, height=height, cells=rng.uniform(4, 20), rng=rng)
    most = rng.uniform(0.1, 0.75)
    mixed = near * (1.0 - most * share) + far * most * share
    return np.asarray(np.clip(mixed, 0.0, 1.0), dtype=np.float32)


def apply_ink(
    skin: FloatColor,
    density: NDArray[np.float32],
    *,
    ink: str,
    blend: str,
    relief: float,
    rng: np.random.Generator,
) -> FloatColor:
    """Skin with ink in it.

    Parameters
    ----------
    skin : ndarray of float32, (height, width, 3)
    density : ndarray of float32, (height, width)
    ink : str
        One of ``INKS``.
    blend : str
        ``"multiply"`` and ``"alpha"`` as in picture editors, ``"dodge"`` for ink lighter than dark
        skin, ``"film"`` for a thin layer that absorbs exponentially (Beer-Lambert).
    relief : float
        Shading of the little scars, share of brightness.
    """
    drift = 1.0 + rng.normal(0, 0.08, 3)
    colour = np.asarray(np.array(INKS[ink]) / 255.0 * drift, dtype=np.float32)
    cover = density[..., None]
    if blend == "multiply":
        inked = skin * (1.0 - cover * (1.0 - np.clip(colour * 1.25, 0.0, 1.0)))
    elif blend == "alpha":
        inked = skin * (1.0 - 0.92 * cover) + colour * 0.92 * cover
    elif blend == "dodge":
        inked = skin / np.clip(1.0 - 0.75 * cover * np.clip(colour * 2.2, 0.0, 1.0), 0.2, 1.0)
    else:
        inked = skin * np.exp(-1.9 * cover * (1.0 - colour))
    if relief > 0:
        angle = rng.uniform(0, 2 * np.pi)
        gx = cv2.Sobel(density, cv2.CV_32F, 1, 0, scale=0.25)
        gy = cv2.Sobel(density, cv2.CV_32F, 0, 1, scale=0.25)
        slope = gx * np.cos(angle) + gy * np.sin(angle)
        inked = inked * (1.0 + relief * np.clip(slope * 4.0, -1.0, 1.0))[..., None]
    return np.asarray(np.clip(inked, 0.0, 1.0), dtype=np.float32)
