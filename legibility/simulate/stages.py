"""One ear photographed again and again: as found, cleaned, clipped, lit from behind, turned.

Skin, ink and lost needles are those of one ear in all its photos; dirt and hair stay until they are
taken away; view, light and camera are those of each photo. All amounts are choices without a
source: nobody has published how much a step takes away.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import Final

import numpy as np

from legibility.containers import Stage
from legibility.simulate.camera import CameraSpec, sample_camera
from legibility.simulate.geometry import Pose
from legibility.simulate.hair import HairSpec
from legibility.simulate.light import LightSpec, sample_light
from legibility.simulate.scene import SceneSpec, sample_scene

DIRT: Final = (0.02, 0.35)
"""Choice: share of a dirty ear under dirt."""
DIRTY_SHARE: Final = 0.55
"""Choice: share of ears that are dirty when they are found."""
WAXY_SHARE: Final = 0.35
"""Choice: share of ears with wax over the mark when they are found."""
DIRT_LEFT: Final = 0.05
"""Choice: share of dirt and wax that cleaning leaves."""
WET_AFTER_CLEANING: Final = 0.15
"""Choice: how often the skin still shines after it was cleaned and dried."""
FUR_LEFT: Final = 0.10
"""Choice: share of the fur's cover that clipping leaves."""
STUBBLE_MM: Final = 0.8
"""Choice: length of clipped hair."""
SEEN_FROM_BEHIND: Final = 0.5
"""Choice: how often the camera, not the torch, is behind the ear: the mark is then mirrored."""


def found_scene(
    rng: np.random.Generator,
    *,
    mark: str,
    split: str = "held_out",
    wear: str | None = None,
    width_px: int | None = None,
) -> SceneSpec:
    """An ear as it is found: often dirty and hairy, the mark large enough to be read.

    Parameters
    ----------
    rng : Generator
    mark : str
    split : str
        Split of the glyph sources.
    wear : str, optional
        Key of ``WEAR_LEVELS``; drawn when not given.
    width_px : int, optional
    """
    scene = sample_scene(
        rng,
        mark=mark,
        split=split,
        wear=wear,
        hair=float(rng.beta(1.3, 1.6)),
        behind=False,
        mirrored=False,
        mark_share=float(rng.uniform(0.3, 0.75)),
        width_px=width_px,
        clean=True,
    )
    dirt = float(rng.uniform(*DIRT)) if rng.random() < DIRTY_SHARE else 0.0
    wax = float(rng.uniform(0.02, 0.2)) if rng.random() < WAXY_SHARE else 0.0
    return replace(scene, wear=replace(scene.wear, dirt=dirt, wax=wax))


def stage_scene(
    scene: SceneSpec, done: Collection[Stage], stage: Stage, rng: np.random.Generator
) -> SceneSpec:
    """The photo taken at a stage, after other steps were done.

    Parameters
    ----------
    scene : SceneSpec
        The ear as found.
    done : collection of Stage
        Steps taken before; cleaned and clipped ears stay so.
    stage : Stage
        The step the photo is taken after.
    rng : Generator
        Of this photo's view, light and camera.
    """
    steps = {*done, stage}
    shown = replace(
        scene,
        pose=_moved(scene.pose, rng),
        light=_flickered(scene.light, rng),
        camera=_next_shot(sample_camera(rng), rng),
    )
    if Stage.CLEANED in steps:
        wear = replace(shown.wear, dirt=DIRT_LEFT * shown.wear.dirt, wax=DIRT_LEFT * shown.wear.wax)
        wet = float(rng.uniform(0.2, 0.8)) if rng.random() < WET_AFTER_CLEANING else 0.0
        wet = wet if stage is Stage.CLEANED else 0.0
        shown = replace(shown, wear=wear, light=replace(shown.light, wet=wet))
    if Stage.CLIPPED in steps:
        shown = replace(shown, hair=clipped(shown.hair))
    if stage is Stage.LIT_FROM_BEHIND:
        shown = replace(
            shown,
            light=sample_light(rng, behind=True),
            pose=replace(shown.pose, mirrored=bool(rng.random() < SEEN_FROM_BEHIND)),
        )
    if stage is Stage.OTHER_ANGLE:
        light = sample_light(rng, behind=False)
        shown = replace(shown, light=light, pose=_turned(shown.pose, rng))
    return shown


def repeated_scene(scene: SceneSpec, rng: np.random.Generator) -> SceneSpec:
    """The next frame of a burst: the hand trembles, grain and focus differ a little."""
    camera = scene.camera
    focus = float(np.clip(camera.defocus_px * rng.uniform(0.9, 1.1), 0.2, 5.0))
    return replace(
        scene,
        pose=_moved(scene.pose, rng, way=0.004, turn_deg=0.4),
        camera=_next_shot(replace(camera, defocus_px=focus), rng),
    )


def clipped(hair: HairSpec) -> HairSpec:
    """Hair after clipping: stubble, a short fringe, no long hairs over the mark."""
    return replace(
        hair,
        fur_cover=FUR_LEFT * hair.fur_cover,
        fur_mm=min(hair.fur_mm, STUBBLE_MM),
        long_hairs=0,
        fringe_mm=min(hair.fringe_mm, 3.0),
    )


def _next_shot(camera: CameraSpec, rng: np.random.Generator) -> CameraSpec:
    return replace(camera, shot=int(rng.integers(1, 2**31)))


def _moved(
    pose: Pose, rng: np.random.Generator, *, way: float = 0.03, turn_deg: float = 4.0
) -> Pose:
    """The ear held almost as before; ``way`` is a share of the picture's width."""
    shift = rng.normal(0.0, way * pose.width_px / 2, size=2)
    return replace(
        pose,
        centre_px=(pose.centre_px[0] + float(shift[0]), pose.centre_px[1] + float(shift[1])),
        rotation_deg=pose.rotation_deg + float(rng.normal(0.0, turn_deg)),
        px_per_mm=pose.px_per_mm * float(np.exp(rng.normal(-way / 2, way / 2))),
    )


def _turned(pose: Pose, rng: np.random.Generator) -> Pose:
    """The ear seen from another angle, bent another way."""
    return replace(
        pose,
        rotation_deg=pose.rotation_deg + float(rng.normal(0.0, 20.0)),
        px_per_mm=0.9 * pose.px_per_mm,
        perspective=(float(rng.uniform(-0.15, 0.15)), float(rng.uniform(-0.15, 0.15))),
        bend_radius_mm=float(max(pose.bend_radius_mm, rng.uniform(30.0, 150.0))),
        bend_axis_deg=float(rng.normal(90.0, 30.0)),
    )


def _flickered(light: LightSpec, rng: np.random.Generator) -> LightSpec:
    """The same lamps, moved a little with the hand."""
    return replace(
        light,
        direction_deg=light.direction_deg + float(rng.normal(0.0, 12.0)),
        gradient=float(np.clip(light.gradient + rng.normal(0.0, 0.08), 0.0, 0.8)),
    )
