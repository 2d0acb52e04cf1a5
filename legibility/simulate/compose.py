"""Puts a scene together: skin, ink, wear, hair, light and camera, and the truth of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, GrayImage, Points
from legibility.simulate.account import scene_truth
from legibility.simulate.background import background, coat, finger_layer
from legibility.simulate.camera import develop, lens_and_motion
from legibility.simulate.ear import ear_mask, ear_relief, head_mask, outline_mm
from legibility.simulate.geometry import mirror, project
from legibility.simulate.hair import hair_layer
from legibility.simulate.ink import absorbance_of, dimmed, stain
from legibility.simulate.light import glare_map, irradiance, radiance, shading, transmittance
from legibility.simulate.needles import (
    INK_REACH_MM,
    PlacedNeedles,
    ink_layer,
    mark_box,
    mirrored,
    place_needles,
    window_of,
)
from legibility.simulate.press import press
from legibility.simulate.scene import SceneSpec
from legibility.simulate.skin import skin_absorbance, skin_reflectance, skin_relief
from legibility.simulate.texture import blur, three_channels
from legibility.simulate.truth import SceneTruth
from legibility.simulate.veins import vein_map
from legibility.simulate.wear import blot_map, scar_map

_DIRT = np.array([0.10, 0.065, 0.035], dtype=np.float32)
"""Choice: linear reflectance of dirt."""
_WAX = np.array([0.15, 0.55, 1.5], dtype=np.float32)
"""Choice: absorbance of ear wax, amber."""
_SCAR = np.array([-0.18, 0.02, -0.02], dtype=np.float32)
"""Choice: absorbance a scar adds: paler in red, hardly changed otherwise."""
_COVERED = 0.999
"""Choice: an ear that is denser than this everywhere fills the picture."""


@dataclass(frozen=True, slots=True)
class Rendering:
    """A rendered photo and what it shows."""

    pixels: ColorImage
    """As decoded from ``jpeg``."""
    truth: SceneTruth
    jpeg: bytes


@dataclass(frozen=True, slots=True)
class _Layers:
    """The picture before light and lens; the arrays belong to one rendering and are reused."""

    reflectance: NDArray[np.float32]
    through: NDArray[np.float32] | None
    """Transmittance, where light comes from behind."""
    relief: GrayImage
    ink: GrayImage
    hidden: GrayImage
    """Share of each pixel that does not show marked skin."""
    mask: GrayImage
    """The ear as far as it is seen."""


def render(spec: SceneSpec) -> Rendering:
    """The photo of a scene.

    The effects draw from separate streams of the scene's seed, so that changing one of them leaves
    the others as they are.

    Parameters
    ----------
    spec : SceneSpec

    Returns
    -------
    Rendering
    """
    pose = spec.pose
    streams = [np.random.default_rng([spec.seed, index]) for index in range(13)]
    if spec.camera.shot:
        streams[12] = np.random.default_rng([spec.seed, 12, spec.camera.shot])
    pressed = press(spec.mark, spec.dies)
    needles = place_needles(spec, pressed, streams[0])
    box_px = project(mark_box(pressed), pose)
    layers = _surround(spec, _ear(spec, needles, box_px, streams), box_px, streams)

    light = irradiance(spec.light, pose.shape, rng=streams[11])
    glare = glare_map(layers.relief, spec.light, px_per_mm=pose.px_per_mm, rng=streams[11])
    glare *= layers.mask
    seen = radiance(layers.reflectance, layers.through, light, glare, spec.light)
    ink, hidden, mask = layers.ink, np.maximum(layers.hidden, np.minimum(glare, 1.0)), layers.mask
    if pose.mirrored:
        seen, ink, hidden, mask = (
            np.ascontiguousarray(layer[:, ::-1]) for layer in (seen, ink, hidden, mask)
        )
        needles = mirrored(needles, pose.width_px)
        box_px = mirror(box_px, width_px=pose.width_px)
    seen = lens_and_motion(seen, spec.camera)
    meter = _meter(seen, mask, box_px)
    pixels, jpeg = develop(seen, spec.camera, meter=meter, rng=streams[12])
    clipped = cv2.min(cv2.min(pixels[:, :, 0], pixels[:, :, 1]), pixels[:, :, 2]) >= 250
    hidden[clipped] = 1.0
    truth = scene_truth(spec, pressed, needles, pixels, ink, hidden)
    return Rendering(pixels=pixels, truth=truth, jpeg=jpeg)


def _ear(
    spec: SceneSpec, needles: PlacedNeedles, box_px: Points, streams: list[np.random.Generator]
) -> _Layers:
    """The ear alone: skin with veins, ink, scars, wax and dirt."""
    pose, shape, scale = spec.pose, spec.pose.shape, spec.pose.px_per_mm
    ink = ink_layer(spec, needles)
    mask = ear_mask(spec.ear, pose)
    veins = vein_map(spec.veins, spec.ear, pose, streams[2])
    absorbance = skin_absorbance(spec.skin, shape, px_per_mm=scale, rng=streams[3], veins=veins)
    relief = skin_relief(spec.skin, shape, px_per_mm=scale, rng=streams[4])
    hidden = 1.0 - mask
    if spec.wear.scars:
        scars = scar_map(spec.wear, shape, around_px=box_px, px_per_mm=scale, rng=streams[1])
        absorbance += three_channels(scars) * (_SCAR - np.float32(0.3) * absorbance)
        relief *= 1.0 - 0.7 * scars
        ink = ink * (1.0 - scars)
        hidden = np.maximum(hidden, scars)
    relief = cv2.add(relief, ear_relief(spec.ear, pose, mask))
    rate = absorbance_of(spec.ink, fading=spec.wear.fading)
    window = window_of(needles.dots, shape, INK_REACH_MM * scale)
    seen_rate = dimmed(rate, melanin=spec.skin.melanin)
    reflectance = _stained(skin_reflectance(absorbance), ink, seen_rate, window)
    reflectance *= three_channels(shading(relief, spec.light))
    through = None
    if spec.light.behind > 0:
        clear = transmittance(absorbance, spec.light, rng=streams[5])
        through = _stained(clear, ink, rate, window)
    if spec.wear.wax > 0:
        wax = blot_map(spec.wear.wax, shape, size_px=8.0 * scale, rng=streams[6])
        reflectance = stain(reflectance, wax, _WAX)
    if spec.wear.dirt > 0:
        dirt = blot_map(spec.wear.dirt, shape, size_px=5.0 * scale, rng=streams[7])
        reflectance += three_channels(0.92 * dirt) * (_DIRT - reflectance)
        hidden = np.maximum(hidden, dirt)
        if through is not None:
            through *= three_channels(1.0 - 0.9 * dirt)
    return _Layers(reflectance, through, relief, ink, hidden, mask)


def _surround(
    spec: SceneSpec, ear: _Layers, box_px: Points, streams: list[np.random.Generator]
) -> _Layers:
    """The ear in front of its background, with the head, hair and fingers over it."""
    pose, shape, scale = spec.pose, spec.pose.shape, spec.pose.px_per_mm
    picture, mask = ear.reflectance, ear.mask
    if float(mask.min()) < _COVERED:
        picture = background(spec.background, shape, rng=streams[8])
        picture *= three_channels(1.0 - 0.45 * _shifted(mask, spec, mm=6.0))
        picture += three_channels(mask) * (ear.reflectance - picture)
        head = head_mask(spec.ear, pose, rng=streams[8])
        if float(head.max()) > 0.01:
            fur = coat(shape, color=spec.hair.color, rng=streams[8])
            picture += three_channels(head) * (fur - picture)
            mask = mask * (1.0 - head)
    rim_px = project(outline_mm(spec.ear), pose)
    shade, alpha = hair_layer(
        spec.hair, mask, rim_px=rim_px, mark_px=box_px, px_per_mm=scale, rng=streams[9]
    )
    picture *= three_channels((1.0 - 0.35 * _shifted(alpha, spec, mm=0.5)) * (1.0 - alpha))
    picture += cv2.merge([shade * np.float32(value) for value in spec.hair.color])
    seen = mask * (1.0 - alpha)
    clear = mask * (1.0 - 0.8 * alpha)
    if spec.background.fingers:
        finger, held = finger_layer(
            spec.background, shape, rim_px=rim_px, keep_px=box_px, px_per_mm=scale, rng=streams[10]
        )
        picture += three_channels(held) * (finger - picture)
        seen *= 1.0 - held
        clear *= 1.0 - held
    through = None if ear.through is None else ear.through * three_channels(clear)
    hidden = np.maximum(ear.hidden, 1.0 - seen)
    return _Layers(picture, through, ear.relief, ear.ink, hidden, mask)


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


def _shifted(alpha: GrayImage, spec: SceneSpec, *, mm: float) -> GrayImage:
    """Shadow of the hair on the skin, away from the light."""
    way = mm * spec.pose.px_per_mm
    dx = -way * math.cos(math.radians(spec.light.direction_deg))
    dy = way * math.sin(math.radians(spec.light.direction_deg))
    height, width = alpha.shape
    half = cv2.resize(alpha, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    matrix = np.array([[1.0, 0.0, dx / 2], [0.0, 1.0, dy / 2]])
    moved = cv2.warpAffine(half, matrix, (width // 2, height // 2))
    soft = blur(moved, sigma_px=max(0.2 * way, 0.4))
    return np.asarray(cv2.resize(soft, (width, height)), dtype=np.float32)


def _meter(seen: NDArray[np.float32], mask: GrayImage, box_px: Points) -> float:
    """Mean light on the ear near the mark: where a phone is told to expose."""
    margin = 0.5 * float(np.ptp(box_px, axis=0).max())
    left, right, top, bottom = window_of(box_px, mask.shape, margin)
    part, weight = seen[top:bottom:4, left:right:4], mask[top:bottom:4, left:right:4]
    if not part.size or weight.sum() < 4:
        return float(seen.mean())
    return float((part.mean(axis=2) * weight).sum() / weight.sum())
