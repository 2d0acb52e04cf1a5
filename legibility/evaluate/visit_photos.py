"""Simulated photos for visits: the two ears of pairs of near-twins, photographed three times each.

An invented herd; the ears of a pair carry marks that differ in one character. Each ear is found,
then photographed twice more after a step of handling or as the next frame of a burst. Glyph sources
are those held out from training. Everything depends on the seed and the number of the ear alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Final

import numpy as np

from legibility.containers import Animal, Photo, Reading, Stage
from legibility.identify.registry import Registry, registry_of
from legibility.in_order import mapped, told
from legibility.pipeline.known_readings import KnownReading
from legibility.pipeline.reading import read_without_second
from legibility.simulate import render
from legibility.simulate.herd import make_herd
from legibility.simulate.scene import SceneSpec
from legibility.simulate.stages import found_scene, repeated_scene, stage_scene

HERD: Final = 400
"""Choice: animals of the herd."""
SHOTS: Final = 3
"""Choice: photos of an ear."""
WEAR: Final = ("new", "mild", "mild", "worn", "worn", "faint")
"""Choice: as for the sequences that the stop rule is measured on."""
WIDTH_PX: Final = 900
"""Choice: width of the photos, for speed."""
NEXT: Final = (
    Stage.AS_FOUND,
    Stage.CLEANED,
    Stage.CLIPPED,
    Stage.LIT_FROM_BEHIND,
    Stage.OTHER_ANGLE,
)
"""Choice: what may come after the first photo, each alike; as found again is a burst's next."""


@dataclass(frozen=True, slots=True, eq=False)
class EarShot:
    """One photo of an ear, read; equal to itself alone, so that results are kept by it."""

    pair: int
    mark: str
    stage: Stage
    known: KnownReading


@lru_cache(maxsize=2)
def visit_herd(seed: int) -> Registry:
    """The invented herd of a seed."""
    return registry_of(_animals(seed))


@lru_cache(maxsize=2)
def near_twins(seed: int) -> tuple[tuple[str, str], ...]:
    """Pairs of marks of the herd that differ in one character; no mark twice."""
    marks = [animal.mark for animal in _animals(seed)]
    order = np.random.default_rng([seed, 91]).permutation(len(marks))
    used: set[str] = set()
    pairs = []
    for i in order:
        one = marks[int(i)]
        for other in marks:
            apart = [a != b for a, b in zip(one, other, strict=False)]
            if len(one) != len(other) or sum(apart) != 1 or used & {one, other}:
                continue
            used |= {one, other}
            pairs.append((one, other))
    return tuple(pairs)


def read_ear(index: int, *, seed: int) -> tuple[KnownReading, ...]:
    """The photos of ear ``index``: pair ``index // 2``; their names say pair and stage."""
    pair, which = divmod(index, 2)
    mark = near_twins(seed)[pair][which]
    rng = np.random.default_rng([seed, 92, index])
    wear = WEAR[int(rng.integers(len(WEAR)))]
    ear = found_scene(rng, mark=mark, wear=wear, width_px=WIDTH_PX)
    stages = [Stage.AS_FOUND]
    first = stage_scene(ear, (), Stage.AS_FOUND, _view(seed, index, 0))
    scenes = [first]
    for shot in range(1, SHOTS):
        stage = NEXT[int(rng.integers(len(NEXT)))]
        view = _view(seed, index, shot)
        repeated = stage is Stage.AS_FOUND
        scenes.append(
            repeated_scene(first, view) if repeated else stage_scene(ear, stages, stage, view)
        )
        stages.append(stage)
    return tuple(
        KnownReading(f"{pair} {stage.value} {shot}", mark, wear, _read(scene))
        for shot, (scene, stage) in enumerate(zip(scenes, stages, strict=True))
    )


def read_ears(
    pairs: int, *, seed: int, jobs: int, say: Callable[[str], None]
) -> list[KnownReading]:
    """Photos of the two ears of so many pairs.

    Raises
    ------
    ValueError
        If the herd has fewer pairs of near-twins.
    """
    there = len(near_twins(seed))
    if pairs > there:
        raise ValueError(f"{pairs} pairs were asked for; the herd of seed {seed} has {there}")
    work = partial(read_ear, seed=seed)
    ears = mapped(work, range(2 * pairs), jobs=jobs)
    return [k for ear in told(ears, 2 * pairs, "ears", every=10, say=say) for k in ear]


def ears_of(readings: Sequence[KnownReading]) -> list[list[EarShot]]:
    """The photos by ear, in the order of the ears."""
    found: dict[str, list[EarShot]] = {}
    for known in readings:
        pair, stage, _ = known.photo.split()
        shot = EarShot(int(pair), known.mark, Stage(stage), known)
        found.setdefault(known.mark, []).append(shot)
    return list(found.values())


def _read(scene: SceneSpec) -> Reading:
    pixels = render(scene).pixels
    return read_without_second(Photo(name="simulated", sha256="", pixels=pixels))


def _animals(seed: int) -> list[Animal]:
    return make_herd(np.random.default_rng([seed, 90]), animals=HERD)


def _view(seed: int, index: int, shot: int) -> np.random.Generator:
    return np.random.default_rng([seed, 93, index, shot])
