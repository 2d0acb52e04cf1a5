"""A card punched before the ear: dots of ink or holes in paper, with the faults a loading can have.

Millimetres are measured as on the ear (:mod:`legibility.simulate.geometry`): from the middle of
the mark, x along the row, y towards the foot of the characters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, GrayImage, Points
from legibility.simulate.camera import CameraSpec, develop, lens_and_motion, sample_camera
from legibility.simulate.geometry import Pose, local_scale, mirror, project
from legibility.simulate.ink import coverage
from legibility.simulate.press import DieSpec, PressedCharacter, mark_size_mm, press
from legibility.simulate.scene import sample_dies
from legibility.simulate.texture import blur, fractal_noise

PAPERS: Final = {
    "white": (0.86, 0.86, 0.83),
    "cream": (0.84, 0.79, 0.66),
    "grey board": (0.52, 0.51, 0.48),
    "kraft": (0.50, 0.36, 0.22),
    "green card": (0.58, 0.74, 0.60),
}
"""Choice: linear reflectance of papers that lie about on a farm (handbooks name index cards,
cardboard and feed sacks)."""
KINDS: Final = ("ink", "holes", "light behind")
"""Dots of ink; holes that look dark; holes that shine because the card is held against light."""
_HOLE_SHARE: Final = 0.75
"""Choice: radius of a hole as a share of the radius of the dot of ink."""


@dataclass(frozen=True, slots=True)
class LoadedDie:
    """What is wrong with one die as it was pressed."""

    turned: bool = False
    """Upside down."""
    missing: tuple[int, ...] = ()
    """Needles that made no mark."""
    bent: tuple[tuple[int, float, float], ...] = ()
    """Needle, and where it went in character heights, x and y."""


@dataclass(frozen=True, slots=True)
class CardSpec:
    """All parameters of one photo of a card; the same spec gives the same pixels."""

    mark: str
    """As it is loaded."""
    dies: DieSpec
    pose: Pose
    camera: CameraSpec
    paper: str
    kind: str
    light_angle_deg: float
    light_slope: float
    """Change of light over half the picture's width, 0..0.5."""
    margin_mm: tuple[float, float]
    """Paper beyond the mark, along and across."""
    table: tuple[float, float, float]
    seed: int
    faults: dict[int, LoadedDie] = field(default_factory=dict)
    """Die counted from 0 in reading order -> what is wrong with it."""


@dataclass(frozen=True, slots=True)
class CardPhoto:
    """A rendered card."""

    pixels: ColorImage
    jpeg: bytes
    dots_px: tuple[Points, ...]
    """For each die in reading order (n, 2) places in the picture."""


def sample_card(
    rng: np.random.Generator,
    *,
    mark: str,
    dies: DieSpec | None = None,
    split: str = "train",
    kind: str | None = None,
    paper: str | None = None,
    behind: bool | None = None,
    rotation_deg: float | None = None,
    mark_share: float | None = None,
    faults: dict[int, LoadedDie] | None = None,
    width_px: int = 1280,
) -> CardSpec:
    """A card drawn at random; whatever is given is kept.

    Parameters
    ----------
    rng : Generator
    mark : str
        As loaded, ``AB/123``.
    dies : DieSpec, optional
        The herd's set of dies; one of ``split`` when not given.
    kind, paper : str, optional
        One of ``KINDS``; a key of ``PAPERS``.
    behind : bool, optional
        Seen from the back of the card, so that the mark is mirrored; a fifth of cards.
    rotation_deg : float, optional
        Any angle when not given.
    mark_share : float, optional
        Length of the mark as a share of the picture's width, 0.2..0.7 when not given.
    """
    kind = str(rng.choice(list(KINDS))) if kind is None else kind
    # A camera keeps white paper below white, and less of a card that is held against a lamp.
    exposure = rng.uniform(0.12, 0.3) if kind == KINDS[2] else rng.uniform(0.3, 0.6)
    dies = sample_dies(rng, split=split) if dies is None else dies
    # Nothing grew and nothing was loose: a card is pressed on a table.
    dies = replace(dies, growth=(1.0, 1.0), bow=0.0)
    width_mm, height_mm = mark_size_mm(press(mark, dies))
    margin = (float(rng.uniform(5, 25)), float(rng.uniform(5, 25)))
    share = float(rng.uniform(0.2, 0.7)) if mark_share is None else mark_share
    height_px = round(width_px * 0.75)
    table = float(rng.uniform(0.04, 0.25)) * rng.uniform(0.75, 1.25, size=3)
    px_per_mm = min(share * width_px / width_mm, 0.8 * height_px / math.hypot(width_mm, height_mm))
    spare = 0.08 * height_px
    return CardSpec(
        mark=mark,
        dies=dies,
        pose=Pose(
            width_px=width_px,
            height_px=height_px,
            centre_px=(
                width_px / 2 + float(rng.uniform(-spare, spare)),
                height_px / 2 + float(rng.uniform(-spare, spare)),
            ),
            px_per_mm=px_per_mm,
            rotation_deg=float(rng.uniform(-180, 180)) if rotation_deg is None else rotation_deg,
            mirrored=bool(rng.random() < 0.2) if behind is None else behind,
            perspective=(float(rng.uniform(-0.15, 0.15)), float(rng.uniform(-0.15, 0.15))),
        ),
        camera=replace(sample_camera(rng, sharp=True), exposure=float(exposure)),
        paper=str(rng.choice(list(PAPERS))) if paper is None else paper,
        kind=kind,
        light_angle_deg=float(rng.uniform(0, 360)),
        light_slope=float(rng.uniform(0.0, 0.35)),
        margin_mm=margin,
        table=(float(table[0]), float(table[1]), float(table[2])),
        seed=int(rng.integers(0, 2**31)),
        faults=dict(faults or {}),
    )


def loaded_dies(spec: CardSpec) -> tuple[PressedCharacter, ...]:
    """The dies as they stand in the tongs, faults included."""
    pressed = press(spec.mark, spec.dies)
    return tuple(
        _faulty(character, spec.faults[index], spec.dies.height_mm)
        if index in spec.faults
        else character
        for index, character in enumerate(pressed)
    )


def render_card(spec: CardSpec) -> CardPhoto:
    """The photo of a card and where its dots lie."""
    rng = np.random.default_rng(spec.seed)
    pressed = loaded_dies(spec)
    places = np.vstack([character.needles_mm for character in pressed])
    dots_px = project(places, spec.pose)
    radius = spec.dies.dot_radius_mm * local_scale(places, spec.pose)
    radius = radius * np.exp(0.08 * rng.standard_normal(len(places)))
    if spec.kind != KINDS[0]:
        radius = radius * _HOLE_SHARE
    amount = np.clip(rng.normal(0.95, 0.05, len(places)), 0.7, 1.0)
    shape = spec.pose.shape
    covered = coverage(
        np.column_stack([dots_px, np.maximum(radius, 0.8), amount]), shape, softness=0.5
    )
    light = _lit(spec, covered, rng)
    seen = lens_and_motion(light, spec.camera)
    if spec.pose.mirrored:
        seen = np.ascontiguousarray(seen[:, ::-1])
        dots_px = mirror(dots_px, width_px=spec.pose.width_px)
    card = _card_mask(spec)
    meter = float((seen.mean(axis=2) * (card[:, ::-1] if spec.pose.mirrored else card)).sum())
    meter /= max(float(card.sum()), 1.0)
    pixels, jpeg = develop(seen, spec.camera, meter=meter, rng=rng)
    ends = np.cumsum([len(character.needles_mm) for character in pressed])[:-1]
    return CardPhoto(pixels=pixels, jpeg=jpeg, dots_px=tuple(np.split(dots_px, ends)))


def _faulty(character: PressedCharacter, fault: LoadedDie, height_mm: float) -> PressedCharacter:
    needles = character.needles_mm.copy()
    for index, x, y in fault.bent:
        needles[index] += np.array([x, y]) * height_mm
    needles = np.delete(needles, list(fault.missing), axis=0)
    if fault.turned:
        needles = 2 * character.quad_mm.mean(axis=0) - needles
    return replace(character, needles_mm=needles)


def _lit(spec: CardSpec, covered: GrayImage, rng: np.random.Generator) -> NDArray[np.float32]:
    """Linear light of card and table before mirroring, (height, width, 3)."""
    shape = spec.pose.shape
    fibre = _paper_noise(rng, shape, spec.pose.px_per_mm)
    paper = np.asarray(PAPERS[spec.paper], np.float32) * (1 + fibre)[..., None]
    if spec.kind == KINDS[2]:
        # Fibres let light through unevenly; holes show the lamp.
        glow = np.float32(0.35) * paper * (1 + 2 * fibre)[..., None]
        surface = glow + covered[..., None] * (np.float32(1.4) - glow)
    else:
        floor = np.float32(0.05 if spec.kind == KINDS[0] else 0.09)
        surface = paper * (1 - covered[..., None]) + floor * covered[..., None]
    inside = _card_mask(spec)[..., None]
    grain = np.float32(0.25) * fractal_noise(rng, shape, scale_px=60.0)
    table = np.asarray(spec.table, np.float32) * np.maximum(1 + grain, 0.3)[..., None]
    height, width = shape
    x = np.linspace(-1, 1, width, dtype=np.float32)[None, :]
    y = np.linspace(-1, 1, height, dtype=np.float32)[:, None]
    angle = math.radians(spec.light_angle_deg)
    slope = 1 + np.float32(spec.light_slope) * (math.cos(angle) * x + math.sin(angle) * y)
    return np.asarray((surface * inside + table * (1 - inside)) * slope[..., None], np.float32)


def _paper_noise(rng: np.random.Generator, shape: tuple[int, int], px_per_mm: float) -> GrayImage:
    """Fibres and unevenness of paper as a small relative change of its brightness."""
    fine = fractal_noise(rng, shape, scale_px=max(0.3 * px_per_mm, 2.0))
    coarse = fractal_noise(rng, shape, scale_px=max(6.0 * px_per_mm, 16.0))
    return np.asarray(0.018 * fine + 0.015 * coarse, dtype=np.float32)


def _card_mask(spec: CardSpec) -> GrayImage:
    width, height = mark_size_mm(press(spec.mark, spec.dies))
    reach = np.array([width / 2 + spec.margin_mm[0], height / 2 + spec.margin_mm[1]])
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * reach
    mask = np.zeros(spec.pose.shape, np.float32)
    cv2.fillConvexPoly(mask, np.round(project(corners, spec.pose)).astype(np.int32), 1.0)
    return np.asarray(blur(mask, sigma_px=0.8), dtype=np.float32)
