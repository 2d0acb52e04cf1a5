"""What the years do to a mark: needles that did not take, fading, bleed, smudge, scars, dirt."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage, Points
from legibility.simulate.texture import blur, fractal_noise, soft_step

WEAR_LEVELS: Final[dict[str, tuple[tuple[float, float], tuple[float, float]]]] = {
    "new": ((0.0, 0.10), (0.0, 0.03)),
    "mild": ((0.10, 0.35), (0.0, 0.08)),
    "worn": ((0.35, 0.60), (0.03, 0.18)),
    "faint": ((0.60, 0.85), (0.08, 0.35)),
    "gone": ((0.90, 1.0), (0.40, 0.90)),
}
"""Choice: ranges of fading and of the share of needles lost, by level."""


@dataclass(frozen=True, slots=True)
class WearSpec:
    """Everything that happened to the ink and the skin over it."""

    level: str
    fading: float
    """0 as pressed .. 1 nothing left."""
    unevenness: float
    """How much the fading differs from place to place, 0..1."""
    lost: float
    """Share of needles that left no ink."""
    bleed: float
    """Share of the ink that wandered, 0..1."""
    bleed_mm: float
    smudge: float
    smudge_mm: float
    smudge_angle_deg: float
    scars: int
    scar_mm: float
    dirt: float
    """Share of the ear under dirt."""
    wax: float
    """Share of the ear under wax."""


def sample_wear(
    rng: np.random.Generator, *, level: str | None = None, clean: bool = False
) -> WearSpec:
    """Wear drawn at random.

    Parameters
    ----------
    level : str, optional
        Key of ``WEAR_LEVELS``; drawn when not given.
    clean : bool
        No scars, dirt or wax.

    Raises
    ------
    ValueError
        If the level is not known.
    """
    if level is None:
        level = str(rng.choice(tuple(WEAR_LEVELS), p=[0.2, 0.3, 0.27, 0.18, 0.05]))
    if level not in WEAR_LEVELS:
        raise ValueError(f"wear {level!r} is not known; expected one of {', '.join(WEAR_LEVELS)}")
    fading, lost = WEAR_LEVELS[level]
    dirty = not clean and rng.random() < 0.18
    waxy = not clean and rng.random() < 0.10
    return WearSpec(
        level=level,
        fading=float(rng.uniform(*fading)),
        unevenness=float(rng.uniform(0.0, 0.6)),
        lost=float(rng.uniform(*lost)),
        bleed=float(rng.beta(1.2, 2.5)),
        bleed_mm=float(rng.uniform(0.25, 1.0)),
        smudge=float(rng.uniform(0.1, 0.5) if rng.random() < 0.15 else 0.0),
        smudge_mm=float(rng.uniform(1.5, 7.0)),
        smudge_angle_deg=float(rng.uniform(0.0, 180.0)),
        scars=0 if clean else int(rng.choice([0, 1, 2], p=[0.85, 0.12, 0.03])),
        scar_mm=float(rng.uniform(0.4, 1.6)),
        dirt=float(rng.uniform(0.005, 0.07)) if dirty else 0.0,
        wax=float(rng.uniform(0.02, 0.2)) if waxy else 0.0,
    )


def needle_amounts(
    spec: WearSpec,
    needles_mm: Points,
    *,
    growth: float,
    density_spread: float,
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """Ink left by each needle, (n,) float64, 0..1.

    Fading takes the stated share everywhere, more or less of it from place to place; a stretched
    ear thins the ink. With fading 1 nothing is left. For one generator state the amounts never
    grow when fading or loss does.

    Parameters
    ----------
    growth : float
        Linear growth of the ear since the mark was pressed; at least 1.
    density_spread : float
        Deviation of the logarithm of a needle's ink.
    """
    count = len(needles_mm)
    taken = rng.random(count) >= spec.lost
    own = np.exp(density_spread * rng.standard_normal(count))
    direction = rng.uniform(0.0, 2.0 * math.pi)
    phase = rng.uniform(0.0, 2.0 * math.pi)
    length = rng.uniform(12.0, 40.0)
    along = needles_mm @ np.array([math.cos(direction), math.sin(direction)])
    place = 0.5 + 0.5 * np.sin(2.0 * math.pi * along / length + phase)
    exponent = 1.0 + spec.unevenness * (2.0 * place - 1.0)
    left = np.maximum(1.0 - spec.fading, 0.0) ** exponent
    thinned = left * own / max(growth, 1.0) ** 0.8
    return np.asarray(np.clip(thinned, 0.0, 1.0) * taken, dtype=np.float64)


def scar_map(
    spec: WearSpec,
    shape: tuple[int, int],
    *,
    around_px: Points,
    px_per_mm: float,
    rng: np.random.Generator,
) -> GrayImage:
    """Scar tissue, (height, width) float32, 0..1; it holds no ink and is smooth and pale."""
    canvas = np.zeros(shape, dtype=np.uint8)
    low, high = around_px.min(axis=0), around_px.max(axis=0)
    for _ in range(spec.scars):
        point = rng.uniform(low, high)
        heading = rng.uniform(0.0, 2.0 * math.pi)
        length = rng.uniform(8.0, 30.0) * px_per_mm
        start = point - 0.5 * length * np.array([math.cos(heading), math.sin(heading)])
        line = [start]
        for _ in range(8):
            heading += rng.normal(0.0, 0.18)
            line.append(line[-1] + length / 8.0 * np.array([math.cos(heading), math.sin(heading)]))
        fixed = [np.round(np.clip(np.array(line), -4000, 20_000) * 16).astype(np.int32)]
        thickness = max(1, round(spec.scar_mm * px_per_mm))
        cv2.polylines(canvas, fixed, False, 255, thickness, cv2.LINE_AA, 4)
    if not spec.scars:
        return canvas.astype(np.float32)
    soft = canvas.astype(np.float32) / np.float32(255.0)
    return blur(soft, sigma_px=max(0.25 * spec.scar_mm * px_per_mm, 0.7))


def blot_map(
    cover: float, shape: tuple[int, int], *, size_px: float, rng: np.random.Generator
) -> GrayImage:
    """Blots of dirt or wax over a share of the picture, (height, width) float32, 0..1."""
    if cover <= 0:
        return np.zeros(shape, dtype=np.float32)
    field = fractal_noise(rng, shape, scale_px=max(size_px, 4.0), octaves=5, persistence=0.65)
    threshold = float(np.quantile(field[::8, ::8], 1.0 - cover))
    return soft_step(field, threshold=threshold, width=0.3)
