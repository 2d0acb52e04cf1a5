"""Hair: patches of short fur, a fringe along the rim, and single long hairs over the mark."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage, Points
from legibility.simulate.texture import fractal_noise

_SEGMENTS = 5
_MOST_STRANDS = 9000
"""Choice: bounds the time of one picture; fur denser than this looks the same."""


@dataclass(frozen=True, slots=True)
class HairSpec:
    """What grows on this ear."""

    fur_cover: float
    """Share of the ear under short fur, 0..1."""
    fur_per_mm2: float
    """Strands per square millimetre where there is fur."""
    fur_mm: float
    long_hairs: int
    """Single hairs across the mark."""
    long_mm: float
    fringe_per_mm: float
    """Strands per millimetre of the rim."""
    fringe_mm: float
    strand_mm: float
    """Thickness of a hair."""
    direction_deg: float
    """Where the fur points, counter-clockwise from the picture's right."""
    spread_deg: float
    color: tuple[float, float, float]
    """Linear reflectance of the hair."""
    opacity: float


def sample_hair(rng: np.random.Generator, *, amount: float | None = None) -> HairSpec:
    """Hair drawn at random.

    Parameters
    ----------
    amount : float, optional
        0 (clipped) .. 1 (heavily covered); drawn when not given.
    """
    if amount is None:
        amount = float(rng.beta(0.9, 2.2))
    colors = ((0.75, 0.70, 0.60), (0.30, 0.17, 0.08), (0.06, 0.045, 0.035), (0.5, 0.38, 0.25))
    color = colors[int(rng.integers(len(colors)))]
    return HairSpec(
        fur_cover=float(np.clip(amount * rng.uniform(0.2, 1.1), 0.0, 1.0)),
        fur_per_mm2=float(rng.uniform(0.3, 2.2)) * (0.3 + amount),
        fur_mm=float(rng.uniform(2.0, 7.0)),
        long_hairs=int(rng.poisson(22.0 * amount)),
        long_mm=float(rng.uniform(12.0, 35.0)),
        fringe_per_mm=float(rng.uniform(1.0, 7.0)),
        fringe_mm=float(rng.uniform(3.0, 12.0)),
        strand_mm=float(rng.uniform(0.04, 0.10)),
        direction_deg=float(rng.uniform(0.0, 360.0)),
        spread_deg=float(rng.uniform(6.0, 25.0)),
        color=color,
        opacity=float(rng.uniform(0.6, 0.95)),
    )


def hair_layer(
    spec: HairSpec,
    mask: GrayImage,
    *,
    rim_px: Points,
    mark_px: Points,
    px_per_mm: float,
    rng: np.random.Generator,
) -> tuple[GrayImage, GrayImage]:
    """Strands over the picture.

    Parameters
    ----------
    mask : (height, width) float32
        The ear.
    rim_px : (n, 2)
        Outline of the ear; hair stands outwards from it.
    mark_px : (m, 2)
        Corners of the mark; long hairs cross its box.

    Returns
    -------
    shade, alpha : (height, width) float32, 0..1
        Brightness already multiplied by alpha, and opacity.
    """
    height, width = mask.shape
    canvas = np.zeros((height, width, 2), dtype=np.uint8)
    strand_px = spec.strand_mm * px_per_mm
    _draw(canvas, _fur(spec, mask, px_per_mm, rng), strand_px, rng)
    _draw(canvas, _fringe(spec, rim_px, (height, width), px_per_mm, rng), strand_px, rng)
    _draw(canvas, _long(spec, mark_px, px_per_mm, rng), 1.3 * strand_px, rng)
    layer = canvas.astype(np.float32) * np.float32(spec.opacity / 255.0)
    return np.ascontiguousarray(layer[:, :, 0]), np.ascontiguousarray(layer[:, :, 1])


def _fur(
    spec: HairSpec, mask: GrayImage, px_per_mm: float, rng: np.random.Generator
) -> NDArray[np.float64]:
    if spec.fur_cover <= 0.01:
        return np.zeros((0, _SEGMENTS + 1, 2))
    height, width = mask.shape
    area_mm2 = height * width / px_per_mm**2
    count = min(int(area_mm2 * spec.fur_per_mm2), _MOST_STRANDS)
    roots = rng.uniform(0.0, 1.0, size=(count, 2)) * [width - 1, height - 1]
    column, line = roots[:, 0].astype(int), roots[:, 1].astype(int)
    shrink = 8
    small = (height // shrink + 1, width // shrink + 1)
    patches = fractal_noise(rng, small, scale_px=max(16.0 * px_per_mm / shrink, 2.0))
    threshold = np.quantile(patches, 1.0 - spec.fur_cover)
    density = np.clip((patches[line // shrink, column // shrink] - threshold) * 2.0 + 0.5, 0, 1)
    density[rng.random(count) < 0.02] = 1.0
    kept = rng.random(count) < density * mask[line, column]
    turns = fractal_noise(rng, small, scale_px=max(25.0 * px_per_mm / shrink, 2.0), octaves=2)
    swirl = 25.0 * turns[line // shrink, column // shrink]
    angle = spec.direction_deg + swirl + rng.normal(0.0, spec.spread_deg, size=count)
    length = spec.fur_mm * px_per_mm * rng.uniform(0.5, 1.3, size=count)
    return _strands(roots[kept], angle[kept], length[kept], 18.0, rng)


def _fringe(
    spec: HairSpec,
    rim_px: Points,
    shape: tuple[int, int],
    px_per_mm: float,
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    ring = np.vstack([rim_px, rim_px[:1]])
    steps = np.diff(ring, axis=0)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    total = float(lengths.sum())
    count = min(int(spec.fringe_per_mm * total / px_per_mm), _MOST_STRANDS)
    if count < 1:
        return np.zeros((0, _SEGMENTS + 1, 2))
    segment = rng.choice(len(lengths), size=count, p=lengths / total)
    roots = ring[segment] + steps[segment] * rng.random((count, 1))
    inside = (roots > -30).all(axis=1) & (roots < [shape[1] + 30, shape[0] + 30]).all(axis=1)
    roots, segment = roots[inside], segment[inside]
    middle = rim_px.mean(axis=0)
    normal = np.column_stack([steps[segment, 1], -steps[segment, 0]])
    sign = np.where(np.sum(normal * (roots - middle), axis=1) >= 0, 1.0, -1.0)
    angle = np.degrees(np.arctan2(-normal[:, 1] * sign, normal[:, 0] * sign))
    angle += rng.normal(0.0, 2.0 * spec.spread_deg, size=len(roots)) + 25.0
    length = spec.fringe_mm * px_per_mm * rng.uniform(0.3, 1.2, size=len(roots))
    return _strands(roots, angle, length, 30.0, rng)


def _long(
    spec: HairSpec, mark_px: Points, px_per_mm: float, rng: np.random.Generator
) -> NDArray[np.float64]:
    if spec.long_hairs < 1:
        return np.zeros((0, _SEGMENTS + 1, 2))
    low, high = mark_px.min(axis=0), mark_px.max(axis=0)
    crossed = rng.uniform(low, high, size=(spec.long_hairs, 2))
    angle = spec.direction_deg + rng.normal(0.0, 2.5 * spec.spread_deg, size=spec.long_hairs)
    length = spec.long_mm * px_per_mm * rng.uniform(0.6, 1.3, size=spec.long_hairs)
    heading = np.radians(angle)
    back = np.column_stack([np.cos(heading), -np.sin(heading)])
    share = rng.uniform(0.1, 0.9, size=(spec.long_hairs, 1))
    return _strands(crossed - back * length[:, None] * share, angle, length, 35.0, rng)


def _strands(
    roots: Points,
    angle_deg: NDArray[np.float64],
    length_px: NDArray[np.float64],
    curl_deg: float,
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """Polylines (n, segments + 1, 2) that bend steadily."""
    curl = rng.normal(0.0, curl_deg, size=len(roots))
    share = np.linspace(0.0, 1.0, _SEGMENTS)
    heading = np.radians(angle_deg[:, None] + curl[:, None] * share)
    step = (length_px / _SEGMENTS)[:, None]
    moves = np.stack([np.cos(heading) * step, -np.sin(heading) * step], axis=2)
    path = np.concatenate([np.zeros((len(roots), 1, 2)), np.cumsum(moves, axis=1)], axis=1)
    return np.asarray(roots[:, None, :] + path, dtype=np.float64)


def _draw(
    canvas: NDArray[np.uint8],
    strands: NDArray[np.float64],
    strand_px: float,
    rng: np.random.Generator,
) -> None:
    if not len(strands):
        return
    fixed = np.round(np.clip(strands, -2000, 20_000) * 16).astype(np.int32)
    thickness = max(1, round(strand_px))
    opacity = min(1.0, math.sqrt(max(strand_px, 0.02)))
    groups = np.array_split(np.arange(len(fixed)), min(8, len(fixed)))
    for members in groups:
        alpha = 255.0 * opacity
        shade = alpha * float(rng.uniform(0.55, 1.0))
        lines = list(fixed[members])
        cv2.polylines(canvas, lines, False, (shade, alpha), thickness, cv2.LINE_AA, 4)
