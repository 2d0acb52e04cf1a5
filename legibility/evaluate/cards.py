"""Photos of punched cards for evaluation, made apart from the simulator's cards.

Dies are those of the evaluation's glyph sources, paper takes its fibre from photographs, and focus,
noise and compression are those of the evaluation's camera.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS
from legibility.containers import ColorImage, Points
from legibility.evaluate.camera import take
from legibility.evaluate.dots import INKS, apply_ink, ink_density
from legibility.evaluate.placement import Geometry, press_rows
from legibility.evaluate.pose import Pose, SceneChoices, draw_pose
from legibility.evaluate.scene import evaluation_sources
from legibility.evaluate.skins import FloatColor
from legibility.evaluate.textures import (
    BACKGROUNDS,
    SKIN_TEXTURES,
    blur,
    fine_structure,
    patch,
    slow_noise,
)

KINDS: Final = ("ink", "holes", "light behind")
WIDTH_PX: Final = 1400
SHARE: Final = (0.3, 0.75)
"""Choice: length of the mark over the picture's width; the tool asks for half the picture."""
TILT_SD: Final = 0.01
"""Choice: perspective of a card held by hand, 1 / character heights."""
HOLE_SHARE: Final = 0.7
"""Choice: radius of a hole over that of a dot of ink."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with one die as it is pressed."""

    turned: bool = False
    missing: tuple[int, ...] = ()
    """Needles that made no mark."""
    bent: tuple[tuple[int, float, float], ...] = ()
    """Needle, and how far off it went, character heights."""


@dataclass(frozen=True, slots=True)
class CardScene:
    """A herd's dies and how one card is photographed; the same scene gives the same pixels."""

    pose: Pose
    """Of the mark as it is loaded."""
    kind: str
    seed: int
    faults: dict[int, Fault] = field(default_factory=dict)
    """Die counted from 0 in reading order -> what is wrong with it."""


def card_scene(rng: np.random.Generator, *, mark: str, width_px: int = WIDTH_PX) -> CardScene:
    """A new set of dies, loaded with a mark, on a card seen from anywhere.

    Parameters
    ----------
    rng : numpy.random.Generator
    mark : str
    width_px : int
        Of the picture.
    """
    share = float(rng.uniform(*SHARE))
    choices = SceneChoices(mark=mark, width_px=width_px, mark_share=share)
    pose = draw_pose(sources=evaluation_sources(), choices=choices, rng=rng)
    return CardScene(_flat(pose, rng), str(rng.choice(KINDS)), int(rng.integers(2**62)))


def same_dies(scene: CardScene, rng: np.random.Generator, *, mark: str) -> CardScene:
    """Another card of the same set of dies, photographed anew.

    Parameters
    ----------
    scene : CardScene
    rng : numpy.random.Generator
    mark : str
    """
    other = card_scene(rng, mark=mark)
    rows = press_rows(tuple(mark.split("/")), scene.pose.dies, characters=CHARACTERS, rng=rng)
    pose = replace(other.pose, dies=scene.pose.dies, rows=rows)
    return replace(other, pose=_inside(pose))


def card_photo(scene: CardScene) -> ColorImage:
    """The photo of a card, (height, width, 3) uint8 RGB."""
    rng = np.random.default_rng(scene.seed)
    pose = scene.pose
    needles = np.concatenate([_needles(scene, nth) for nth in range(len(pose.cells))])
    at = pose.geometry.to_photo(needles + rng.normal(0.0, 0.008, needles.shape))
    height_px = pose.geometry.height_px
    radius = float(rng.uniform(0.04, 0.065)) * height_px
    strengths = np.clip(rng.normal(0.95, 0.06, len(at)), 0.7, 1.0)
    if scene.kind != KINDS[0]:
        radius *= HOLE_SHARE
    dots = ink_density(at, strengths, radius_px=radius, shape=(pose.height, pose.width), rng=rng)
    paper = _paper(pose, rng=rng)
    if scene.kind == KINDS[0]:
        ink = str(rng.choice(list(INKS)))
        card = apply_ink(paper, dots, ink=ink, blend="alpha", relief=0.0, rng=rng)
    elif scene.kind == KINDS[1]:
        card = paper * (1.0 - dots[..., None] * np.float32(rng.uniform(0.7, 0.9)))
    else:
        dim = paper * np.float32(rng.uniform(0.35, 0.55))
        card = dim + dots[..., None] * (np.float32(0.98) - dim)
    inside = _outline(pose, rng=rng)[..., None]
    name = str(rng.choice(BACKGROUNDS))
    table = patch(name, width=pose.width, height=pose.height, zoom=2.0, rng=rng)
    return take(
        np.asarray(card * inside + table * (1.0 - inside), dtype=np.float32),
        height_px=height_px,
        rng=rng,
    )


def _needles(scene: CardScene, nth: int) -> Points:
    die = scene.pose.cells[nth]
    points = die.in_plane(scene.pose.dies[CHARACTERS.index(die.character)])
    fault = scene.faults.get(nth, Fault())
    for index, x, y in fault.bent:
        points[index] += (x, y)
    points = np.delete(points, list(fault.missing), axis=0)
    if fault.turned:
        points = 2.0 * die.quad().mean(axis=0) - points
    return points


def _flat(pose: Pose, rng: np.random.Generator) -> Pose:
    """Paper neither grows nor bends as an ear does."""
    tilt = (float(rng.normal(0.0, TILT_SD)), float(rng.normal(0.0, TILT_SD)))
    flat: Geometry = replace(pose.geometry, stretch=1.0, bend=0.0, ripple=0.0, tilt=tilt)
    return _inside(replace(pose, geometry=flat))


def _inside(pose: Pose) -> Pose:
    """The mark no larger than nine tenths of the picture, in its middle."""
    corners = pose.corners()
    low, high = corners.min(axis=0), corners.max(axis=0)
    size = np.array((pose.width, pose.height))
    factor = min(1.0, float((0.9 * size / (high - low)).min()))
    centre = np.asarray(pose.geometry.centre)
    middle = size / 2 - ((low + high) / 2 - centre) * factor
    return replace(
        pose,
        geometry=replace(
            pose.geometry,
            height_px=pose.geometry.height_px * factor,
            centre=(float(middle[0]), float(middle[1])),
        ),
    )


def _paper(pose: Pose, *, rng: np.random.Generator) -> FloatColor:
    width, height = pose.width, pose.height
    colour = np.clip(rng.uniform(0.62, 0.95) * (1.0 + rng.normal(0.0, 0.06, 3)), 0.0, 1.0)
    fibre = fine_structure(
        str(rng.choice(SKIN_TEXTURES)), width=width, height=height, zoom=1.0, rng=rng
    )
    light = slow_noise(width=width, height=height, cells=rng.uniform(1.0, 2.5), rng=rng)
    shade = 1.0 - np.float32(rng.uniform(0.0, 0.3)) * light
    paper = (1.0 + np.float32(rng.uniform(0.003, 0.015)) * fibre) * shade
    return np.asarray(np.clip(paper[..., None] * colour, 0.0, 1.0), dtype=np.float32)


def _outline(pose: Pose, *, rng: np.random.Generator) -> NDArray[np.float32]:
    """1 on the card, 0 beside it."""
    plane = np.concatenate([die.quad() for die in pose.cells])
    margin = rng.uniform(0.6, 3.0, 2)
    low, high = plane.min(axis=0) - margin, plane.max(axis=0) + margin
    corners = np.array(((low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])))
    mask = np.zeros((pose.height, pose.width), np.float32)
    cv2.fillConvexPoly(mask, np.round(pose.geometry.to_photo(corners)).astype(np.int32), 1.0)
    return blur(mask, sigma=0.8)
