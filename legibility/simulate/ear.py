"""The ear's outline, ribs and the way it stands to the mark, in millimetres on the ear."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage, Points
from legibility.simulate.geometry import Pose, project
from legibility.simulate.texture import blur, smooth_noise, soft_step

_SUBPIXEL_BITS = 4


@dataclass(frozen=True, slots=True)
class EarSpec:
    """Shape of the ear. Its long axis runs from the base (at the head) to the tip."""

    length_mm: float
    width_mm: float
    axis_deg: float
    """Direction of the long axis, counter-clockwise from the row's direction."""
    along: float
    """Where the mark sits along the axis, 0 base .. 1 tip."""
    across: float
    """Where it sits across, -0.5 .. 0.5 of the width."""
    bluntness: float
    """0.5 (round) .. 1.0 (pointed)."""
    ribs: int
    rib_height: float
    tears: tuple[tuple[float, float, float], ...]
    """Each: place on the outline 0..1, depth and opening in mm."""


def sample_ear(rng: np.random.Generator, *, mark_mm: tuple[float, float]) -> EarSpec:
    """An ear that is large enough for the mark."""
    length = max(float(rng.uniform(85.0, 170.0)), 1.7 * mark_mm[0])
    width = max(length * float(rng.uniform(0.5, 0.72)), 2.4 * mark_mm[1])
    tears: tuple[tuple[float, float, float], ...] = ()
    if rng.random() < 0.15:
        tears = (
            (
                float(rng.uniform(0.2, 0.8)),
                float(rng.uniform(0.08, 0.4) * width),
                float(rng.uniform(1.5, 7.0)),
            ),
        )
    return EarSpec(
        length_mm=length,
        width_mm=width,
        axis_deg=float(rng.normal(0.0, 8.0) + (180.0 if rng.random() < 0.5 else 0.0)),
        along=float(rng.uniform(0.38, 0.56)),
        across=float(rng.uniform(-0.12, 0.12)),
        bluntness=float(rng.uniform(0.55, 0.95)),
        ribs=int(rng.integers(0, 4)),
        rib_height=float(rng.uniform(0.2, 1.0)),
        tears=tears,
    )


def _to_mark(points: NDArray[np.float64], spec: EarSpec) -> Points:
    """From (along, across) in mm from the base to millimetres from the mark's middle."""
    local = points - [spec.along * spec.length_mm, spec.across * spec.width_mm]
    cosine = math.cos(math.radians(spec.axis_deg))
    sine = math.sin(math.radians(spec.axis_deg))
    return np.asarray(local @ np.array([[cosine, -sine], [sine, cosine]]), dtype=np.float64)


def half_width_mm(along: NDArray[np.float64], spec: EarSpec) -> NDArray[np.float64]:
    """Half the ear's width at a share 0..1 of its length."""
    share = np.clip(along, 0.0, 1.0)
    shape = np.sin(np.pi * (0.14 + 0.86 * share) ** 0.95) ** spec.bluntness
    return np.asarray(0.5 * spec.width_mm * np.clip(shape, 0.0, 1.0), dtype=np.float64)


def outline_mm(spec: EarSpec) -> Points:
    """Closed outline with tears cut in, (n, 2), millimetres from the mark's middle."""
    share = 1.0 - (1.0 - np.linspace(0.0, 1.0, 90)) ** 1.6
    half = half_width_mm(share, spec)
    wave = 1.0 + 0.03 * np.sin(share * 9.0 + spec.length_mm)
    upper = np.column_stack([share * spec.length_mm, -half * wave])
    lower = np.column_stack([share * spec.length_mm, half * (2.0 - wave)])[::-1]
    neck = np.array([[-0.2 * spec.length_mm, 1.0], [-0.2 * spec.length_mm, -1.0]])
    neck[:, 1] *= 1.25 * half[0]
    line = np.vstack([upper, lower, neck])
    for place, depth, opening in spec.tears:
        index = int(np.clip(place, 0.05, 0.95) * 178)
        inward = np.array([spec.along * spec.length_mm, 0.0]) - line[index]
        inward /= max(float(np.hypot(*inward)), 1e-6)
        aside = np.array([-inward[1], inward[0]])
        distance = np.hypot(*(line[:180] - line[index]).T)
        near = np.flatnonzero(distance < opening)
        first, last = int(near.min()), int(near.max())
        slit = line[index] + inward * depth + aside * 0.15 * opening
        blunt = line[index] + inward * depth * 0.96 - aside * 0.12 * opening
        line = np.vstack([line[:first], slit, blunt, line[last + 1 :]])
    return _to_mark(line, spec)


def ear_mask(spec: EarSpec, pose: Pose) -> GrayImage:
    """1 on the ear, 0 beside it, soft over a pixel; (height, width) float32."""
    canvas = np.zeros(pose.shape, dtype=np.uint8)
    points = np.clip(project(outline_mm(spec), pose), -20_000, 20_000)
    fixed = np.round(points * 2**_SUBPIXEL_BITS).astype(np.int32)
    cv2.fillPoly(canvas, [fixed], 255, cv2.LINE_AA, _SUBPIXEL_BITS)
    return np.asarray(canvas, dtype=np.float32) / np.float32(255.0)


def head_mask(spec: EarSpec, pose: Pose, *, rng: np.random.Generator) -> GrayImage:
    """1 on the head, whose fur hides the ear's base, 0 elsewhere; (height, width) float32."""
    turn = np.linspace(0.0, 2.0 * np.pi, 72)
    radius = 0.85 * spec.length_mm * (1.0 + 0.04 * np.sin(5.0 * turn))
    local = np.column_stack([np.cos(turn), 1.5 * np.sin(turn)]) * radius[:, None]
    local[:, 0] -= 0.78 * spec.length_mm
    straight = replace(pose, bend_radius_mm=math.inf)
    points = np.clip(project(_to_mark(local, spec), straight), -20_000, 20_000)
    canvas = np.zeros(pose.shape, dtype=np.uint8)
    fixed = np.round(points * 2**_SUBPIXEL_BITS).astype(np.int32)
    cv2.fillPoly(canvas, [fixed], 255, cv2.LINE_AA, _SUBPIXEL_BITS)
    soft = np.asarray(canvas, dtype=np.float32) / np.float32(255.0)
    if not canvas.any():
        return soft
    edge = blur(soft, sigma_px=max(4.0 * pose.px_per_mm, 1.0))
    tufts = smooth_noise(rng, pose.shape, scale_px=max(2.5 * pose.px_per_mm, 1.0))
    return soft_step(edge + 0.10 * tufts * edge * (1 - edge) * 4, threshold=0.5, width=0.5)


def ear_relief(spec: EarSpec, pose: Pose, mask: GrayImage) -> GrayImage:
    """Height in pixels of ribs and of the rim, (height, width) float32."""
    shrink = 4
    small = (max(pose.width_px // shrink, 8), max(pose.height_px // shrink, 8))
    canvas = np.zeros((small[1], small[0]), dtype=np.uint8)
    along = np.linspace(0.0, 0.9, 24)
    for rib in range(spec.ribs):
        share = (rib + 1) / (spec.ribs + 1) * 2.0 - 1.0
        across = share * half_width_mm(along, spec) * 0.9
        line = project(_to_mark(np.column_stack([along * spec.length_mm, across]), spec), pose)
        line = np.clip(line * [small[0] / pose.width_px, small[1] / pose.height_px], -4000, 4000)
        fixed = [np.round(line * 16).astype(np.int32)]
        thickness = max(1, round(1.6 * pose.px_per_mm / shrink))
        cv2.polylines(canvas, fixed, False, 255, thickness, cv2.LINE_AA, 4)
    sigma = max(1.4 * pose.px_per_mm / shrink, 0.8)
    ribs = cv2.GaussianBlur(canvas.astype(np.float32) / np.float32(255.0), (0, 0), sigma)
    inner = cv2.resize(mask, small, interpolation=cv2.INTER_AREA)
    rim = cv2.GaussianBlur(inner, (0, 0), max(4.0 * pose.px_per_mm / shrink, 1.0))
    height = spec.rib_height * 1.2 * pose.px_per_mm * ribs
    height += 4.5 * pose.px_per_mm * np.minimum(2.0 * (rim - 0.5), 1.0)
    full = cv2.resize(height, (pose.width_px, pose.height_px), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full, dtype=np.float32)


def axis_point_mm(spec: EarSpec, *, along: float, across: float) -> Points:
    """A place on the ear, along 0 base..1 tip and across -1..1 of the half width; (1, 2) mm."""
    half = float(half_width_mm(np.array([along]), spec)[0])
    return _to_mark(np.array([[along * spec.length_mm, across * half]]), spec)
