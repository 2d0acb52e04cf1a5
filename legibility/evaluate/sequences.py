"""Simulated ears taken through the stages of handling and read after each.

An invented herd with near-twins; a tenth of the ears belong to no animal of it. Glyph sources are
those held out from training. Everything depends on the seed and the number of the ear alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Animal, Flag, Photo, Stage
from legibility.identify.calibration import log_prior
from legibility.identify.calibration_file import load_final_calibration
from legibility.identify.candidates import animal_probabilities
from legibility.identify.registry import Registry, registry_of
from legibility.identify.sequence import PhotoEvidence, log_ratio
from legibility.in_order import mapped, told
from legibility.pipeline.run import read_photo
from legibility.pipeline.session import says_nothing
from legibility.settings import Settings
from legibility.simulate import SceneSpec, render
from legibility.simulate.herd import NOT_REGISTERED_SHARE, make_herd
from legibility.simulate.stages import found_scene, repeated_scene, stage_scene

HERD: Final = 120
"""Choice: animals of the herd."""
WEAR: Final = ("new", "mild", "mild", "worn", "worn", "faint")
"""Choice: ears whose first photo does not settle it are what a step is for."""
REPEATS: Final = 3
"""Choice: further frames of the first photo's burst."""
WIDTH_PX: Final = 900
"""Choice: width of the photos, for speed."""


@dataclass(frozen=True, slots=True)
class ReadStage:
    """One photo of a sequence, read."""

    evidence: PhotoEvidence
    hair: bool


@dataclass(frozen=True, slots=True)
class Ear:
    """One simulated ear."""

    scene: SceneSpec
    truth: int
    """Index of the animal in the herd; the number of animals when it is not registered."""


@dataclass(frozen=True, slots=True)
class ReadSequence:
    """Photos of one ear in the order they were taken."""

    truth: int
    stages: tuple[ReadStage, ...]
    repeats: tuple[ReadStage, ...]
    """The first photo again, as the next frames of a burst."""


@lru_cache(maxsize=2)
def herd_registry(seed: int) -> Registry:
    """The invented herd of a seed."""
    return registry_of(make_herd(np.random.default_rng([seed, 70]), animals=HERD))


def herd_log_prior(registry: Registry, settings: Settings) -> NDArray[np.float64]:
    """(n + 1,) prior of the herd and "not registered"."""
    return log_prior(len(registry), not_registered=settings.not_registered_prior)


def simulated_ear(index: int, *, seed: int) -> Ear:
    """Ear ``index`` of a seeded series."""
    rng = np.random.default_rng([seed, 71, index])
    registry = herd_registry(seed)
    truth = int(rng.integers(len(registry)))
    mark = registry.mark(truth)
    if rng.random() < NOT_REGISTERED_SHARE:
        mark, truth = _stranger(rng, registry), len(registry)
    wear = WEAR[int(rng.integers(len(WEAR)))]
    return Ear(found_scene(rng, mark=mark, wear=wear, width_px=WIDTH_PX), truth)


def read_scene(scene: SceneSpec, stage: Stage, *, seed: int, settings: Settings) -> ReadStage:
    """Render a photo and read it with the herd's registry, the second reader aside."""
    photo = Photo(name="simulated", sha256="", pixels=render(scene).pixels)
    result = read_photo(photo, settings=settings)
    registry = herd_registry(seed)
    prior = herd_log_prior(registry, settings)
    if says_nothing(result.reading, settings):
        return ReadStage(PhotoEvidence(np.zeros(prior.size), "", stage), Flag.HAIR in result.flags)
    probabilities = animal_probabilities(
        result.reading, registry, settings=settings, calibration=load_final_calibration()
    )
    evidence = PhotoEvidence(log_ratio(probabilities, prior), "", stage)
    return ReadStage(evidence, Flag.HAIR in result.flags)


def read_ears(
    work: Callable[[int], ReadSequence], animals: int, *, jobs: int
) -> list[ReadSequence]:
    """The sequences of so many ears, in their order; says how far it is."""
    read = mapped(work, range(animals), jobs=jobs)
    say = partial(print, flush=True)
    return list(told(read, animals, "ears", every=10, say=say))


def read_sequence(
    index: int,
    *,
    seed: int,
    settings: Settings,
    next_stage: Callable[[tuple[ReadStage, ...], np.random.Generator], Stage | None],
    repeats: int = 0,
) -> ReadSequence:
    """One ear photographed as found and then after each step that ``next_stage`` names.

    Parameters
    ----------
    next_stage : callable
        Gets what was read so far and a generator of its own; None ends the sequence.
    repeats : int
        Further frames of the first photo's burst.
    """
    ear = simulated_ear(index, seed=seed)
    choice = np.random.default_rng([seed, 72, index])
    first = stage_scene(ear.scene, (), Stage.AS_FOUND, _view(seed, index, Stage.AS_FOUND))
    read = [read_scene(first, Stage.AS_FOUND, seed=seed, settings=settings)]
    burst = np.random.default_rng([seed, 73, index])
    again = tuple(
        read_scene(repeated_scene(first, burst), Stage.AS_FOUND, seed=seed, settings=settings)
        for _ in range(repeats)
    )
    while (stage := next_stage(tuple(read), choice)) is not None:
        done = [shot.evidence.stage for shot in read]
        scene = stage_scene(ear.scene, done, stage, _view(seed, index, stage))
        read.append(read_scene(scene, stage, seed=seed, settings=settings))
    return ReadSequence(ear.truth, tuple(read), again)


def _view(seed: int, index: int, stage: Stage) -> np.random.Generator:
    return np.random.default_rng([seed, 74, index, list(Stage).index(stage)])


def _stranger(rng: np.random.Generator, registry: Registry) -> str:
    """A mark like the herd's that none of its animals carries."""
    others: list[Animal] = make_herd(rng, animals=40)
    return next(animal.mark for animal in others if not registry.find(animal.mark))
