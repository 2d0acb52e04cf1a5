"""Puts a scene together: skin, ink, wear, hair, light and camera, with the truth of every needle."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, GrayImage, Points
from legibility.simulate.background import background, coat, finger_layer
from legibility.simulate.camera import develop, lens_and_motion
from legibility.simulate.ear import ear_mask, ear_relief, head_mask, outline_mm
from legibility.simulate.geometry import local_scale, mirror, project
from legibility.simulate.hair import hair_layer
from legibility.simulate.ink import absorbance_of, coverage, smudge_ink, spread_ink, stain
from legibility.simulate.light import (
    glare_map,
    irradiance,
    radiance,
    shading,
    transmittance,
)
from legibility.simulate.press import PressedCharacter, mark_size_mm, press
from legibility.simulate.scene import SceneSpec
from legibility.simulate.skin import skin_absorbance, skin_reflectance, skin_relief
from legibility.simulate.texture import blur, three_channels
from legibility.simulate.truth import (
    HIDDEN_COVER,
    VISIBLE_AMOUNT,
    CharacterTruth,
    NeedleTruth,
    SceneTruth,
    contrast_to_noise,
    is_readable,
)
from legibility.simulate.veins import vein_map
from legibility.simulate.wear import blot_map, needle_amounts, scar_map

_DIRT = np.array([0.10, 0.065, 0.035], dtype=np.float32)
"""Choice: linear reflectance of dirt."""
_WAX = np.array([0.15, 0.55, 1.5], dtype=np.float32)
"""Choice: absorbance of ear wax, amber."""
_SCAR = np.array([-0.18, 0.02, -0.02], dtype=np.float32)
"""Choice: absorbance a scar adds: paler in red, hardly changed otherwise."""


_INK_REACH_MM = 12.0
"""Choice: ink is looked for within this distance of a needle; four times the widest bleed."""


@dataclass(frozen=True, slots=True)
class Rendering:
    """A rendered photo and what it shows."""

    pixels: ColorImage
    """As decoded from ``jpeg``."""
    truth: SceneTruth
    jpeg: bytes


@dataclass(frozen=True, slots=True)
class _Needles:
    dots: NDArray[np.float64]
    """(n, 4): x, y, radius in pixels before mirroring; amount."""
    quads: tuple[Points, ...]
    counts: tuple[int, ...]


def render(spec: SceneSpec) -> Rendering:
    """The photo of a scene.

    Parameters
    ----------
    spec : SceneSpec

    Returns
    -------
    Rendering
    """
    pose = spec.pose
    shape = pose.shape
    streams = [np.random.default_rng([spec.seed, index]) for index in range(12)]
    pressed = press(spec.mark, spec.dies)
    needles = _place_needles(spec, pressed, streams[0])
    box_px = project(_mark_box(pressed), pose)

    ink = _ink_layer(spec, needles)
    scars = scar_map(spec.wear, shape, around_px=box_px, px_per_mm=pose.px_per_mm, rng=streams[1])
    ink = ink * (1.0 - scars)
    mask = ear_mask(spec.ear, pose)
    rim_px = project(outline_mm(spec.ear), pose)
    veins = vein_map(spec.veins, spec.ear, pose, streams[2])
    absorbance = skin_absorbance(
        spec.skin, shape, px_per_mm=pose.px_per_mm, rng=streams[3], veins=veins
    )
    if spec.wear.scars:
        absorbance += three_channels(scars) * (_SCAR - np.float32(0.3) * absorbance)
    relief = skin_relief(spec.skin, shape, px_per_mm=pose.px_per_mm, rng=streams[4])
    relief = relief * (1.0 - 0.7 * scars) + ear_relief(spec.ear, pose, mask)
    ink_rate = absorbance_of(spec.ink, fading=spec.wear.fading)
    window = _window(needles.dots, shape, _INK_REACH_MM * pose.px_per_mm)
    reflectance = _stained(skin_reflectance(absorbance), ink, ink_rate, window)
    reflectance *= three_channels(shading(relief, spec.light))
    through = None
    if spec.light.behind > 0:
        clear = transmittance(absorbance, spec.light, rng=streams[5])
        through = _stained(clear, ink, ink_rate, window)

    wax = blot_map(spec.wear.wax, shape, size_px=8.0 * pose.px_per_mm, rng=streams[6])
    dirt = blot_map(spec.wear.dirt, shape, size_px=5.0 * pose.px_per_mm, rng=streams[7])
    if spec.wear.wax > 0:
        reflectance = stain(reflectance, wax, _WAX)
    if spec.wear.dirt > 0:
        reflectance += three_channels(0.92 * dirt) * (_DIRT - reflectance)
        if through is not None:
            through *= three_channels(1.0 - 0.9 * dirt)

    picture = background(spec.background, shape, rng=streams[8])
    picture *= three_channels(1.0 - 0.45 * _shifted(mask, spec, mm=6.0))
    picture += three_channels(mask) * (reflectance - picture)
    head = head_mask(spec.ear, pose, rng=streams[8])
    if float(head.max()) > 0.01:
        fur = coat(shape, color=spec.hair.color, rng=streams[8])
        picture += three_channels(head) * (fur - picture)
        mask = mask * (1.0 - head)
    shade, alpha = hair_layer(
        spec.hair, mask, rim_px=rim_px, mark_px=box_px, px_per_mm=pose.px_per_mm, rng=streams[9]
    )
    picture *= three_channels((1.0 - 0.35 * _shifted(alpha, spec, mm=0.5)) * (1.0 - alpha))
    picture += cv2.merge([shade * np.float32(value) for value in spec.hair.color])
    hidden = 1.0 - (1.0 - alpha) * (1.0 - dirt) * mask
    clear_path = mask * (1.0 - 0.8 * alpha)
    if spec.background.fingers:
        finger, held = finger_layer(
            spec.background,
            shape,
            rim_px=rim_px,
            keep_px=box_px,
            px_per_mm=pose.px_per_mm,
            rng=streams[10],
        )
        picture += three_channels(held) * (finger - picture)
        hidden = 1.0 - (1.0 - hidden) * (1.0 - held)
        clear_path *= 1.0 - held
    if through is not None:
        through *= three_channels(clear_path)

    light = irradiance(spec.light, shape, rng=streams[11])
    glare = glare_map(relief, spec.light, px_per_mm=pose.px_per_mm, rng=streams[11]) * mask
    seen = radiance(picture, through, light, glare, spec.light)
    if pose.mirrored:
        seen = np.ascontiguousarray(seen[:, ::-1])
        ink, hidden, glare, mask = (
            np.ascontiguousarray(layer[:, ::-1]) for layer in (ink, hidden, glare, mask)
        )
        needles = _mirrored(needles, pose.width_px)
        box_px = mirror(box_px, width_px=pose.width_px)
    seen = lens_and_motion(seen, spec.camera)
    pixels, jpeg = develop(
        seen,
        spec.camera,
        meter=_meter(seen, mask, box_px),
        rng=np.random.default_rng([spec.seed, 12]),
    )
    clipped = (pixels.min(axis=2) >= 250).astype(np.float32)
    hidden = np.maximum(hidden, np.maximum(np.minimum(glare, 1.0), clipped))
    truth = _truth(spec, pressed, needles, box_px, pixels, ink, hidden)
    return Rendering(pixels=pixels, truth=truth, jpeg=jpeg)


def _mark_box(pressed: tuple[PressedCharacter, ...]) -> Points:
    if pressed:
        return np.vstack([character.quad_mm for character in pressed])
    width, height = mark_size_mm(pressed)
    return np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [width / 2, height / 2]


def _place_needles(
    spec: SceneSpec, pressed: tuple[PressedCharacter, ...], rng: np.random.Generator
) -> _Needles:
    if not pressed:
        return _Needles(np.zeros((0, 4)), (), ())
    places = np.vstack([character.needles_mm for character in pressed])
    growth = math.sqrt(spec.dies.growth[0] * spec.dies.growth[1])
    amounts = needle_amounts(
        spec.wear, places, growth=growth, density_spread=spec.ink.density_spread, rng=rng
    )
    size = np.exp(spec.ink.radius_spread * rng.standard_normal(len(places)))
    radius = spec.dies.dot_radius_mm * growth**0.8 * size * local_scale(places, spec.pose)
    dots = np.column_stack([project(places, spec.pose), radius, amounts])
    quads = tuple(project(character.quad_mm, spec.pose) for character in pressed)
    return _Needles(dots, quads, tuple(len(character.needles_mm) for character in pressed))


def _mirrored(needles: _Needles, width_px: int) -> _Needles:
    dots = needles.dots.copy()
    dots[:, 0] = width_px - 1 - dots[:, 0]
    quads = tuple(mirror(quad, width_px=width_px) for quad in needles.quads)
    return _Needles(dots, quads, needles.counts)


def _ink_layer(spec: SceneSpec, needles: _Needles) -> GrayImage:
    shape = spec.pose.shape
    if not len(needles.dots):
        return np.zeros(shape, dtype=np.float32)
    softness = max(spec.ink.softness * float(np.median(needles.dots[:, 2])), 0.35)
    ink = coverage(needles.dots, shape, softness=softness)
    left, right, top, bottom = _window(needles.dots, shape, _INK_REACH_MM * spec.pose.px_per_mm)
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


def _stained(
    skin: NDArray[np.float32],
    ink: GrayImage,
    rate: NDArray[np.float32],
    window: tuple[int, int, int, int],
) -> NDArray[np.float32]:
    """``stain`` where there can be ink; changes and returns ``skin``."""
    left, right, top, bottom = window
    if left < right and top < bottom:
        part = np.ascontiguousarray(skin[top:bottom, left:right])
        skin[top:bottom, left:right] = stain(part, ink[top:bottom, left:right], rate)
    return skin


def _window(
    dots: NDArray[np.float64], shape: tuple[int, int], margin: float
) -> tuple[int, int, int, int]:
    if not len(dots):
        return 0, 0, 0, 0
    low, high = dots[:, :2].min(axis=0) - margin, dots[:, :2].max(axis=0) + margin
    left, top = (int(np.clip(v, 0, s)) for v, s in zip(low, shape[::-1], strict=True))
    right, bottom = (int(np.clip(v + 1, 0, s)) for v, s in zip(high, shape[::-1], strict=True))
    return left, right, top, bottom


def _shifted(alpha: GrayImage, spec: SceneSpec, *, mm: float) -> GrayImage:
    """Shadow of the hair on the skin, away from the light."""
    way = mm * spec.pose.px_per_mm
    dx = -way * math.cos(math.radians(spec.light.direction_deg))
    dy = way * math.sin(math.radians(spec.light.direction_deg))
    matrix = np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]])
    moved = cv2.warpAffine(alpha, matrix, (alpha.shape[1], alpha.shape[0]))
    return blur(moved, sigma_px=max(0.4 * way, 0.6))


def _meter(seen: NDArray[np.float32], mask: GrayImage, box_px: Points) -> float:
    """Mean light on the ear near the mark: where a phone is told to expose."""
    margin = 0.5 * float(np.ptp(box_px, axis=0).max())
    left, right, top, bottom = _window(box_px, mask.shape, margin)
    part, weight = seen[top:bottom:4, left:right:4], mask[top:bottom:4, left:right:4]
    if not part.size or weight.sum() < 4:
        return float(seen.mean())
    return float((part.mean(axis=2) * weight).sum() / weight.sum())


def _truth(
    spec: SceneSpec,
    pressed: tuple[PressedCharacter, ...],
    needles: _Needles,
    box_px: Points,
    pixels: ColorImage,
    ink: GrayImage,
    hidden: GrayImage,
) -> SceneTruth:
    rows: dict[int, list[CharacterTruth]] = {}
    start = 0
    for character, quad, count in zip(pressed, needles.quads, needles.counts, strict=True):
        dots = needles.dots[start : start + count]
        start += count
        rows.setdefault(character.row, []).append(
            CharacterTruth(
                character=character.character,
                row=character.row,
                cell=character.cell,
                quad=tuple((float(x), float(y)) for x, y in quad),
                needles=tuple(_needle_truth(dot, hidden) for dot in dots),
            )
        )
    ordered = tuple(tuple(rows[row]) for row in sorted(rows))
    all_needles = [n for row in ordered for c in row for n in c.needles]
    contrast = contrast_to_noise(
        pixels, ink, needles.dots, absorbance_of(spec.ink, fading=spec.wear.fading)
    )
    blur = math.hypot(spec.camera.defocus_px, spec.camera.motion_px / math.sqrt(12.0))
    width_mm = mark_size_mm(pressed)[0] if pressed else 0.0
    return SceneTruth(
        mark=spec.mark,
        rows=ordered,
        rotation_deg=_seen_rotation(spec),
        mirrored=spec.pose.mirrored,
        visible_share=sum(n.visible for n in all_needles) / max(len(all_needles), 1),
        contrast_to_noise=contrast,
        readable=is_readable(ordered, contrast=contrast, blur_px=blur),
        width_px=spec.pose.width_px,
        height_px=spec.pose.height_px,
        mark_share=width_mm * spec.pose.px_per_mm / spec.pose.width_px,
        conditions={
            "wear": spec.wear.level,
            "fading": spec.wear.fading,
            "lost": spec.wear.lost,
            "skin": spec.skin.kind,
            "ink": spec.ink.kind,
            "source": spec.dies.source,
            "needles": spec.dies.needles,
            "behind": spec.light.behind,
            "blur_px": blur,
        },
    )


def _seen_rotation(spec: SceneSpec) -> float:
    angle = -spec.pose.rotation_deg if spec.pose.mirrored else spec.pose.rotation_deg
    return float((angle + 180.0) % 360.0 - 180.0)


def _needle_truth(dot: NDArray[np.float64], hidden: GrayImage) -> NeedleTruth:
    x, y, radius, amount = (float(value) for value in dot)
    height, width = hidden.shape
    reach = max(0.7 * radius, 0.5)
    left, right = max(round(x - reach), 0), min(round(x + reach) + 1, width)
    top, bottom = max(round(y - reach), 0), min(round(y + reach) + 1, height)
    inside = left < right and top < bottom
    share = float(np.clip(hidden[top:bottom, left:right].mean(), 0, 1)) if inside else 1.0
    return NeedleTruth(
        x=x,
        y=y,
        radius_px=radius,
        amount=amount,
        hidden=share,
        visible=amount >= VISIBLE_AMOUNT and share < HIDDEN_COVER,
    )
