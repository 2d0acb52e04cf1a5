"""Evaluation photos: a scene model made apart from the one used for training, never trained on.

Surfaces come from photographs, needles are placed in other ways, ink is blended as picture editors
do, and noise, covering and compression follow other models than the simulator's, so that a reader
cannot do well here by having learnt the simulator's habits.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS
from legibility.dies.strokes import GlyphSource, load_sources_from
from legibility.evaluate.camera import take
from legibility.evaluate.cover import Around, Covering, draw_covering
from legibility.evaluate.dots import INKS, apply_ink, bleed, fade, ink_density
from legibility.evaluate.measure import DOT_SIGMA, measure_rows
from legibility.evaluate.negatives import NO_MARK_KINDS, no_mark_photo
from legibility.evaluate.pose import Pose, SceneChoices, draw_pose, rotation_of
from legibility.evaluate.skins import FloatColor, Surface, skin_surface
from legibility.evaluate.truth import EvaluationPhoto, Truth, mark_of, no_mark_truth
from legibility.evaluate.visibility import ink_direction, person_readable

FADING_SHARES: Final = (0.26, 0.24, 0.2, 0.18, 0.12)
"""Choice: share of photos at each level of fading."""

RENDER_SIDE: Final = 1300
"""Choice: larger photos are painted with this longer side and photographed at full size."""


@lru_cache(maxsize=1)
def evaluation_sources() -> tuple[GlyphSource, ...]:
    """Glyph sources kept for evaluation; none of them is in :mod:`legibility.dies`."""
    return load_sources_from(Path(str(files("legibility.evaluate") / "data" / "strokes.npz")))


def evaluation_set(
    *,
    n: int,
    seed: int,
    no_mark_share: float = 0.0,
    choices: SceneChoices | None = None,
    first: int = 0,
) -> Iterator[EvaluationPhoto]:
    """Evaluation photos with their truth, one at a time.

    Parameters
    ----------
    n : int
        How many.
    seed : int
        Photo ``i`` depends on ``seed`` and ``i`` alone.
    no_mark_share : float, optional
        Share of pictures without a mark (fur, page, retina, ..., blank ears).
    choices : SceneChoices, optional
        What to hold fixed. The same seed with another pose or fading gives the same ear.
    first : int, optional
        Index of the first photo.

    Yields
    ------
    EvaluationPhoto
    """
    for index in range(first, first + n):
        rng = np.random.default_rng((seed, index))
        name = f"evaluation-{seed}-{index:05d}"
        if rng.random() < no_mark_share:
            kind = NO_MARK_KINDS[int(rng.integers(len(NO_MARK_KINDS)))]
            yield no_mark(kind=kind, rng=rng, name=name)
        else:
            yield marked_ear(rng=rng, name=name, choices=choices or SceneChoices())


def no_mark(
    *, kind: str, rng: np.random.Generator, name: str, covering: str | None = None
) -> EvaluationPhoto:
    """A picture without a mark: a shipped photograph, or an ear of this model without ink.

    Parameters
    ----------
    kind : str
        One of ``NO_MARK_KINDS``.
    covering : str, optional
        What lies over a blank ear, see :func:`legibility.evaluate.cover.draw_covering`.
    """
    if kind != "blank ear":
        return EvaluationPhoto(name, no_mark_photo(kind, rng=rng), no_mark_truth(kind))
    choices = SceneChoices(width_px=int(rng.integers(800, 1601)), covering=covering)
    pose = draw_pose(sources=evaluation_sources(), choices=choices, rng=rng)
    surface, cover = _ear(pose, choices, rng=rng)
    pixels = take(cover.over(surface.pixels), height_px=pose.geometry.height_px, rng=rng)
    truth = no_mark_truth(kind, skin=surface.kind, back_lit=surface.back_lit)
    return EvaluationPhoto(name, pixels, truth)


def marked_ear(
    *, rng: np.random.Generator, name: str, choices: SceneChoices | None = None
) -> EvaluationPhoto:
    """One ear with a mark, photographed with and without its ink to know what can be seen."""
    choices = choices or SceneChoices()
    pose_rng, ear_rng, press_rng, ink_rng, camera_rng = rng.spawn(5)
    pose = draw_pose(sources=evaluation_sources(), choices=choices, rng=pose_rng)
    shrink = min(1.0, RENDER_SIDE / max(pose.width, pose.height))
    canvas = pose.scaled(shrink)
    surface, covering = _ear(canvas, choices, rng=ear_rng)

    needles = _press(pose, rng=press_rng)
    owner = np.concatenate([np.full(len(p), k) for k, p in enumerate(needles)])
    drawn = int(press_rng.choice(len(FADING_SHARES), p=FADING_SHARES))
    level = drawn if choices.fading is None else choices.fading
    faded = fade(level=level, cells=owner, rng=press_rng)

    radius = float(ink_rng.uniform(0.04, 0.085)) * canvas.geometry.height_px
    at = (np.concatenate(needles) + 0.5) * shrink - 0.5
    density = ink_density(
        at, faded.strengths, radius_px=radius, shape=surface.ear.shape, rng=ink_rng
    )
    density = bleed(density, radius_px=radius, level=level, rng=ink_rng)
    ink, blend = _ink(surface, rng=ink_rng)
    relief = float(ink_rng.uniform(0.02, 0.12)) * float(ink_rng.random() < 0.3)
    inked = apply_ink(
        surface.pixels, density, ink=ink, blend=blend, relief=relief * (level < 4), rng=ink_rng
    )

    camera_rng = _of_look(camera_rng, choices.look)
    camera_seed = int(camera_rng.integers(2**62))
    with_ink, without_ink = (
        take(
            _resized(covering.over(layer), pose),
            height_px=pose.geometry.height_px,
            rng=np.random.default_rng(camera_seed),
        )
        for layer in (inked, surface.pixels)
    )
    direction = ink_direction(with_ink, without_ink, _resized(density, pose))
    sigma = DOT_SIGMA * radius / shrink
    rows = measure_rows(
        pose=pose,
        needles=needles,
        faded=faded,
        hidden=_resized(covering.hidden, pose),
        with_ink=with_ink,
        without_ink=without_ink,
        direction=direction,
        sigma_px=sigma,
    )
    truth = Truth(
        kind="mark",
        mark=mark_of(rows),
        rows=rows,
        rotation_deg=rotation_of([cell.quad for row in rows for cell in row]),
        mirrored=pose.geometry.mirrored,
        fading=level,
        ink=ink,
        skin=surface.kind,
        back_lit=surface.back_lit,
        strength_mean=faded.mean,
        strength_sd=faded.sd,
        loss=faded.loss,
        dot_sigma_px=sigma,
        ink_direction=(float(direction[0]), float(direction[1]), float(direction[2])),
        person_readable=level < 4
        and person_readable(tuple(cell.readable for row in rows for cell in row)),
    )
    return EvaluationPhoto(name, with_ink, truth)


def _ear(
    pose: Pose, choices: SceneChoices, *, rng: np.random.Generator
) -> tuple[Surface, Covering]:
    skin_rng, cover_rng = rng.spawn(2)
    cover_rng = _of_look(cover_rng, choices.look)
    surface = skin_surface(
        width=pose.width,
        height=pose.height,
        centre=pose.geometry.centre,
        mark_extent=pose.extent,
        rng=skin_rng,
    )
    mark = Around(
        width=pose.width,
        height=pose.height,
        centre=pose.geometry.centre,
        reach_px=max(pose.extent),
        height_px=pose.geometry.height_px,
    )
    return surface, draw_covering(mark, cover_rng, only=choices.covering)


def _of_look(rng: np.random.Generator, look: int) -> np.random.Generator:
    """A generator of its own for each further photo of an ear."""
    return rng.spawn(look)[-1] if look else rng


def _press(pose: Pose, *, rng: np.random.Generator) -> tuple[NDArray[np.float64], ...]:
    """Photo pixels of the needles of each character; needles give way a little."""
    placed = []
    for die in pose.cells:
        plane = die.in_plane(pose.dies[CHARACTERS.index(die.character)])
        placed.append(pose.geometry.to_photo(plane + rng.normal(0.0, 0.01, plane.shape)))
    return tuple(placed)


def _ink(surface: Surface, *, rng: np.random.Generator) -> tuple[str, str]:
    """Ink and way of blending; green and lighter blends are commoner on dark skin."""
    dark = surface.kind == "dark"
    ink = str(rng.choice(list(INKS), p=(0.6, 0.1, 0.1, 0.2) if dark else (0.3, 0.35, 0.15, 0.2)))
    weights = (0.1, 0.5, 0.3, 0.1) if dark and ink != "black" else (0.3, 0.35, 0.0, 0.35)
    return ink, str(rng.choice(("multiply", "alpha", "dodge", "film"), p=weights))


def _resized(layer: FloatColor, pose: Pose) -> FloatColor:
    if layer.shape[:2] == (pose.height, pose.width):
        return layer
    return np.asarray(
        cv2.resize(layer, (pose.width, pose.height), interpolation=cv2.INTER_CUBIC),
        dtype=np.float32,
    )
