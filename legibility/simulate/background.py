"""What is behind the ear: straw, boards, a blurred pen, the animal's coat; and a holding hand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage, Points
from legibility.simulate.texture import blur, fractal_noise, smooth_noise, stretched_noise

BACKGROUNDS: Final = ("straw", "boards", "pen", "coat")


@dataclass(frozen=True, slots=True)
class BackgroundSpec:
    """What the ear is seen against."""

    kind: str
    color: tuple[float, float, float]
    """Linear reflectance."""
    blur: float
    """Deviation of its blur, share of the picture's width: it lies behind the plane in focus."""
    brightness: float
    """Relative to the light on the ear."""
    fingers: int
    """Fingers that hold the rim."""
    glove: tuple[float, float, float]
    """Their linear reflectance."""


def sample_background(rng: np.random.Generator, *, kind: str | None = None) -> BackgroundSpec:
    """Background drawn at random.

    Raises
    ------
    ValueError
        If ``kind`` is not one of ``BACKGROUNDS``.
    """
    if kind is None:
        kind = str(rng.choice(BACKGROUNDS, p=[0.25, 0.2, 0.3, 0.25]))
    if kind not in BACKGROUNDS:
        raise ValueError(f"background {kind!r} is not known; expected one of {BACKGROUNDS}")
    base = {
        "straw": ((0.50, 0.38, 0.16), (0.38, 0.27, 0.12)),
        "boards": ((0.25, 0.15, 0.08), (0.30, 0.27, 0.23)),
        "pen": ((0.20, 0.21, 0.20), (0.13, 0.20, 0.07)),
        "coat": ((0.62, 0.55, 0.45), (0.20, 0.10, 0.05)),
    }[kind]
    share = float(rng.random())
    color = tuple(float(a * share + b * (1 - share)) for a, b in zip(*base, strict=True))
    gloves = ((0.08, 0.16, 0.42), (0.55, 0.32, 0.22), (0.75, 0.73, 0.68), (0.05, 0.05, 0.055))
    glove = gloves[int(rng.integers(len(gloves)))]
    return BackgroundSpec(
        kind=kind,
        color=(color[0], color[1], color[2]),
        blur=float(rng.uniform(0.001, 0.006) if kind != "pen" else rng.uniform(0.008, 0.02)),
        brightness=float(rng.uniform(0.35, 1.1)),
        fingers=int(rng.choice([0, 1, 2], p=[0.6, 0.25, 0.15])),
        glove=glove,
    )


def background(
    spec: BackgroundSpec, shape: tuple[int, int], *, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Linear reflectance behind the ear, (height, width, 3) float32; drawn at half size."""
    height, width = shape
    small = (max(height // 2, 8), max(width // 2, 8))
    size = float(small[1])
    if spec.kind == "straw":
        level, tint = _straw(small, rng)
    elif spec.kind == "boards":
        level, tint = _boards(small, rng)
    elif spec.kind == "coat":
        level, tint = _coat(small, rng)
    else:
        level, tint = _pen(small, rng)
    color = np.asarray(spec.color, dtype=np.float32)
    warm = np.array([0.07, 0.0, -0.06], dtype=np.float32)
    level = np.maximum(level, np.float32(0.03))
    picture = cv2.merge([level * c * (1.0 + tint * w) for c, w in zip(color, warm, strict=True)])
    blurred = blur(picture, sigma_px=max(spec.blur * size, 0.5))
    full = cv2.resize(blurred, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full * np.float32(spec.brightness), dtype=np.float32)


def coat(
    shape: tuple[int, int], *, color: tuple[float, float, float], rng: np.random.Generator
) -> NDArray[np.float32]:
    """Linear reflectance of the head's fur in focus, (height, width, 3) float32."""
    height, width = shape
    level, tint = _coat((max(height // 2, 8), max(width // 2, 8)), rng)
    level = np.maximum(level, np.float32(0.05)) * (1.0 + 0.05 * tint)
    full = cv2.resize(level, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.merge([full * np.float32(value) for value in color]), dtype=np.float32)


def _straw(shape: tuple[int, int], rng: np.random.Generator) -> tuple[GrayImage, GrayImage]:
    height, width = shape
    canvas = np.full(shape, 30, dtype=np.uint8)
    for shade in np.linspace(50, 230, 10):
        count = 28
        middle = rng.uniform([0, 0], [width, height], size=(count, 2))
        angle = rng.uniform(0.0, math.pi, size=count)
        half = width * rng.uniform(0.04, 0.16, size=count)
        move = np.column_stack([np.cos(angle), np.sin(angle)]) * half[:, None]
        lines = np.stack([middle - move, middle + move], axis=1)
        thickness = max(1, round(width * float(rng.uniform(0.003, 0.011))))
        fixed = list(np.round(lines * 16).astype(np.int32))
        cv2.polylines(canvas, fixed, False, float(shade), thickness, cv2.LINE_AA, 4)
    level = canvas.astype(np.float32) / np.float32(160.0)
    return level, fractal_noise(rng, shape, scale_px=width / 12, octaves=2)


def _boards(shape: tuple[int, int], rng: np.random.Generator) -> tuple[GrayImage, GrayImage]:
    angle = float(rng.choice([0.0, 90.0]) + rng.normal(0.0, 5.0))
    width = shape[1]
    grain = stretched_noise(rng, shape, along_px=width / 4, across_px=width / 160, angle_deg=angle)
    broad = stretched_noise(rng, shape, along_px=width * 2, across_px=width / 9, angle_deg=angle)
    level = 1.0 + 0.16 * grain + 0.15 * broad
    normal = np.radians(angle)
    x = np.arange(width, dtype=np.float32)[None, :]
    y = np.arange(shape[0], dtype=np.float32)[:, None]
    across = x * np.float32(math.sin(normal)) + y * np.float32(math.cos(normal))
    gap = np.abs((across / np.float32(width * 0.22) + float(rng.random())) % 1.0 - 0.5)
    level *= 1.0 - 0.85 * np.clip((gap - 0.485) / 0.01, 0.0, 1.0)
    return np.asarray(level, dtype=np.float32), 0.5 * broad


def _coat(shape: tuple[int, int], rng: np.random.Generator) -> tuple[GrayImage, GrayImage]:
    width = shape[1]
    angle = float(rng.uniform(0.0, 180.0))
    fine = stretched_noise(rng, shape, along_px=width / 24, across_px=width / 300, angle_deg=angle)
    second = stretched_noise(
        rng, shape, along_px=width / 14, across_px=width / 90, angle_deg=angle + 14.0
    )
    tufts = fractal_noise(rng, shape, scale_px=width / 6, octaves=3)
    level = 0.85 + 0.22 * fine + 0.16 * second + 0.12 * tufts
    return np.asarray(level, dtype=np.float32), 0.5 * tufts


def _pen(shape: tuple[int, int], rng: np.random.Generator) -> tuple[GrayImage, GrayImage]:
    height, width = shape
    level = 1.0 + 0.5 * fractal_noise(rng, shape, scale_px=width / 4, octaves=3)
    bars = np.zeros(shape, dtype=np.uint8)
    for _ in range(int(rng.integers(0, 5))):
        y = int(rng.uniform(0, height))
        slant = int(rng.normal(0, height * 0.05))
        thickness = max(2, int(width * rng.uniform(0.02, 0.05)))
        cv2.line(bars, (0, y), (width, y + slant), 255, thickness, cv2.LINE_AA)
    bar = bars.astype(np.float32) / np.float32(255.0)
    level = np.maximum(level, 0.1) * (1 - bar) + 2.2 * bar
    tint = smooth_noise(rng, shape, scale_px=width / 5)
    return np.asarray(level, dtype=np.float32), np.asarray(tint * (1 - bar), dtype=np.float32)


def finger_layer(
    spec: BackgroundSpec,
    shape: tuple[int, int],
    *,
    rim_px: Points,
    keep_px: Points,
    px_per_mm: float,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float32], GrayImage]:
    """Fingers over the rim, kept away from the mark.

    Parameters
    ----------
    rim_px : (n, 2)
        Outline of the ear.
    keep_px : (m, 2)
        Corners that stay free.

    Returns
    -------
    reflectance : (height, width, 3) float32
    alpha : (height, width) float32
    """
    height, width = shape
    alpha = np.zeros(shape, dtype=np.uint8)
    light = np.zeros(shape, dtype=np.uint8)
    inside = rim_px[((rim_px > 0) & (rim_px < [width, height])).all(axis=1)]
    middle = keep_px.mean(axis=0)
    reach = float(np.hypot(*(keep_px - middle).T).max())
    radius = 8.0 * px_per_mm
    for _ in range(spec.fingers if len(inside) else 0):
        tip = inside[int(rng.integers(len(inside)))]
        away = tip - middle
        distance = float(np.hypot(*away))
        if distance < 1e-6:
            continue
        away /= distance
        tip = tip - away * float(np.clip(distance - reach - 1.3 * radius, 0.0, 1.2 * radius))
        if float(np.hypot(*(tip - middle))) < reach + 1.2 * radius:
            continue
        turn = rng.normal(0.0, 0.5)
        heading = np.array(
            [
                away[0] * math.cos(turn) - away[1] * math.sin(turn),
                away[0] * math.sin(turn) + away[1] * math.cos(turn),
            ]
        )
        end = tip + heading * 90.0 * px_per_mm
        ends = [tuple(int(v) for v in np.clip(p, -9000, 9000)) for p in (tip, end)]
        cv2.line(alpha, ends[0], ends[1], 255, max(2, round(2 * radius)), cv2.LINE_AA)
        cv2.line(light, ends[0], ends[1], 255, max(2, round(1.1 * radius)), cv2.LINE_AA)
    soft = blur(light.astype(np.float32) / np.float32(255.0), sigma_px=0.3 * radius)
    level = 0.45 + 0.6 * soft
    if spec.fingers:
        level = level * (1.0 + 0.06 * smooth_noise(rng, shape, scale_px=max(0.7 * px_per_mm, 1.5)))
    reflectance = cv2.merge([level * np.float32(value) for value in spec.glove])
    return np.asarray(reflectance, np.float32), np.asarray(alpha, np.float32) / np.float32(255.0)
