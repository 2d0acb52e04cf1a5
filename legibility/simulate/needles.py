"""The mark's needles where they fall in the picture, and the ink they left there."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage, Points
from legibility.simulate.geometry import local_scale, mirror, project
from legibility.simulate.ink import coverage, smudge_ink, spread_ink
from legibility.simulate.press import PressedCharacter, mark_size_mm
from legibility.simulate.scene import SceneSpec
from legibility.simulate.wear import needle_amounts

INK_REACH_MM: Final = 12.0
"""Choice: ink is looked for within this distance of a needle; four times the widest bleed."""


@dataclass(frozen=True, slots=True)
class PlacedNeedles:
    """Needles and boxes of a mark in pixels, in the order of its pressed characters."""

    dots: NDArray[np.float64]
    """(n, 4): x, y, radius in pixels; amount."""
    quads: tuple[Points, ...]
    """(4, 2) for each character."""
    counts: tuple[int, ...]
    """Needles of each character."""


def mark_box(pressed: tuple[PressedCharacter, ...]) -> Points:
    """Corners of all characters in mm; of a nominal box where there is no mark."""
    if pressed:
        return np.vstack([character.quad_mm for character in pressed])
    width, height = mark_size_mm(pressed)
    return np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [width / 2, height / 2]


def place_needles(
    spec: SceneSpec, pressed: tuple[PressedCharacter, ...], rng: np.random.Generator
) -> PlacedNeedles:
    """Needles of a pressed mark before mirroring, with the ink each of them left."""
    if not pressed:
        return PlacedNeedles(np.zeros((0, 4)), (), ())
    places = np.vstack([character.needles_mm for character in pressed])
    growth = math.sqrt(spec.dies.growth[0] * spec.dies.growth[1])
    amounts = needle_amounts(
        spec.wear, places, growth=growth, density_spread=spec.ink.density_spread, rng=rng
    )
    size = np.exp(spec.ink.radius_spread * rng.standard_normal(len(places)))
    radius = spec.dies.dot_radius_mm * growth**0.8 * size * local_scale(places, spec.pose)
    dots = np.column_stack([project(places, spec.pose), radius, amounts])
    quads = tuple(project(character.quad_mm, spec.pose) for character in pressed)
    return PlacedNeedles(dots, quads, tuple(len(character.needles_mm) for character in pressed))


def mirrored(needles: PlacedNeedles, width_px: int) -> PlacedNeedles:
    """The needles of a picture that is flipped left to right."""
    dots = needles.dots.copy()
    dots[:, 0] = width_px - 1 - dots[:, 0]
    quads = tuple(mirror(quad, width_px=width_px) for quad in needles.quads)
    return PlacedNeedles(dots, quads, needles.counts)


def ink_layer(spec: SceneSpec, needles: PlacedNeedles) -> GrayImage:
    """Ink coverage before mirroring, (height, width) float32, after bleed and smudge."""
    shape = spec.pose.shape
    if not len(needles.dots):
        return np.zeros(shape, dtype=np.float32)
    softness = max(spec.ink.softness * float(np.median(needles.dots[:, 2])), 0.35)
    ink = coverage(needles.dots, shape, softness=softness)
    left, right, top, bottom = window_of(needles.dots, shape, INK_REACH_MM * spec.pose.px_per_mm)
    part = ink[top:bottom, left:right]
    if part.size:
        part = spread_ink(
            part, bleed=spec.wear.bleed, bleed_px=spec.wear.bleed_mm * spec.pose.px_per_mm
        )
        part = smudge_ink(
            part,
            smudge=spec.wear.smudge,
            length_px=spec.wear.smudge_mm * spec.pose.px_per_mm,
            angle_deg=spec.wear.smudge_angle_deg,
        )
        ink[top:bottom, left:right] = part
    return ink


def window_of(
    dots: NDArray[np.float64], shape: tuple[int, int], margin: float
) -> tuple[int, int, int, int]:
    """Left, right, top, bottom of the part of a picture around some points; empty for none."""
    if not len(dots):
        return 0, 0, 0, 0
    low, high = dots[:, :2].min(axis=0) - margin, dots[:, :2].max(axis=0) + margin
    left, top = (int(np.clip(v, 0, s)) for v, s in zip(low, shape[::-1], strict=True))
    right, bottom = (int(np.clip(v + 1, 0, s)) for v, s in zip(high, shape[::-1], strict=True))
    return left, right, top, bottom
