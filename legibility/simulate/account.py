"""Writes down what a rendered photo shows, from the layers it was made of."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, GrayImage
from legibility.simulate.ink import absorbance_of
from legibility.simulate.needles import PlacedNeedles
from legibility.simulate.press import PressedCharacter, mark_size_mm
from legibility.simulate.scene import SceneSpec
from legibility.simulate.truth import (
    HIDDEN_COVER,
    VISIBLE_AMOUNT,
    CharacterTruth,
    NeedleTruth,
    SceneTruth,
    contrast_to_noise,
    is_readable,
)


def scene_truth(
    spec: SceneSpec,
    pressed: tuple[PressedCharacter, ...],
    needles: PlacedNeedles,
    pixels: ColorImage,
    ink: GrayImage,
    hidden: GrayImage,
) -> SceneTruth:
    """Truth of a finished photo.

    Parameters
    ----------
    needles : PlacedNeedles
        In the finished picture, after mirroring.
    pixels : (height, width, 3) uint8
    ink, hidden : (height, width) float32
        Ink coverage, and the share of each pixel that does not show the skin.
    """
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
            "placing": spec.dies.rule,
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
