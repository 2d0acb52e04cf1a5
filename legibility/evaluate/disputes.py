"""Simulated disputes: the true mark against the registered mark nearest to it.

``python -m legibility.evaluate.disputes --photos N --seed S --jobs J`` writes
``legibility/models/ratios.json``, which ``legibility compare`` weighs claims with, and the tables
beside the model card. Run it again after new networks or fits.

Weights are fitted on scenes of the shipped simulator with glyph sources held out of training, two
photos an ear. Validity and the cap are measured on other scenes, of the evaluation's own model and
glyph sources, with nothing fitted there.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Final

import numpy as np

from legibility.containers import ColorImage, Photo, Reading
from legibility.evaluate.marks import LOOK_ALIKES, evaluation_herd
from legibility.evaluate.pose import SceneChoices
from legibility.evaluate.scene import evaluation_set
from legibility.evidence.ratio_file import RATIOS_FILE, measured_models_sha256, save_ratio_model
from legibility.evidence.ratio_model import Dispute, RatioModel, Scores, ratio_model
from legibility.identify.animals import Registry, registry_of
from legibility.in_order import mapped, told
from legibility.pipeline.claim_scores import (
    mark_log_likelihoods,
    neither_log_likelihood,
    photo_opinions,
    reader_readings,
    said,
)
from legibility.settings import Settings
from legibility.simulate import render, sample_scene
from legibility.workers import ending

HERD: Final = 400
"""Choice: animals of the registry, as in the evaluation."""
WEAR: Final = ("new", "mild", "worn", "faint")
FADING: Final = ("fading 0", "fading 1", "fading 2", "fading 3")
"""Needle conditions of the two scene models, alike often; marks of which nothing is left are not
among them, since nobody brings them before an auditor."""
EAR_PHOTOS: Final = 2
SMALLEST_SHARE: Final = 0.25
"""Choice: marks that take at least this share of the picture's width; a person who photographs a
disputed mark goes near."""


@dataclass(frozen=True, slots=True)
class Task:
    """One ear of one of the two series."""

    index: int
    seed: int
    held_out: bool
    """True: the evaluation's scenes. False: the simulator's, on which weights are fitted."""


@cache
def herd(seed: int) -> Registry:
    """The invented registry."""
    return registry_of(evaluation_herd(HERD, seed), name="invented herd")


def nearest_mark(mark: str, registry: Registry) -> str:
    """Registered mark with the fewest exchanged, missing or added characters.

    Of several the one whose exchanged characters look alike, then the first in the registry.
    """
    best, least = "", (10**6, 10**6)
    for index in range(len(registry)):
        other = registry.mark(index)
        if other != mark:
            distance = (edits(mark, other), -_alike(mark, other))
            if distance < least:
                best, least = other, distance
    return best


def edits(first: str, second: str) -> int:
    """Levenshtein distance of two marks, the end of a row counted as a character."""
    before = list(range(len(second) + 1))
    for i, a in enumerate(first, start=1):
        row = [i]
        for j, b in enumerate(second, start=1):
            row.append(min(before[j] + 1, row[-1] + 1, before[j - 1] + (a != b)))
        before = row
    return before[-1]


def _alike(first: str, second: str) -> int:
    pairs = {frozenset(pair) for pair in LOOK_ALIKES}
    return sum(frozenset((a, b)) in pairs for a, b in zip(first, second, strict=False))


def disputes_of(task: Task) -> tuple[Dispute, ...]:
    """Photos of one ear, read, with what each reader says of the claims."""
    registry = herd(task.seed)
    rng = np.random.default_rng([task.seed, task.index, int(task.held_out)])
    truth = registry.mark(int(rng.integers(len(registry))))
    rival = nearest_mark(truth, registry)
    stranger = truth
    while stranger in (truth, rival):
        stranger = registry.mark(int(rng.integers(len(registry))))
    level = task.index % len(WEAR)
    found = []
    for pixels in _photos(task, truth, level, rng):
        photo = Photo(name="simulated", sha256="", pixels=pixels)
        readings = reader_readings(photo_opinions(photo, settings=Settings()))
        scores = {}
        for name, reading in readings.items():
            values = mark_log_likelihoods(reading, (truth, rival, stranger), settings=Settings())
            other = neither_log_likelihood(reading, registry.unregistered)
            scores[name] = (*(round(float(v), 6) for v in values), round(other, 6))
        found.append(
            Dispute(
                ear=task.index,
                condition=(FADING if task.held_out else WEAR)[level],
                truth=truth,
                rival=rival,
                scores=scores,
                said=_said(readings, scores),
            )
        )
    return tuple(found)


def _said(readings: Mapping[str, Reading], scores: Scores) -> float:
    if not readings:
        return 0.0
    return round(said(readings["pooled"], scores["pooled"][-1], settings=Settings()), 6)


def _photos(task: Task, mark: str, level: int, rng: np.random.Generator) -> Iterator[ColorImage]:
    share = float(rng.uniform(SMALLEST_SHARE, 0.9))
    if task.held_out:
        choices = SceneChoices(mark=mark, fading=level, mark_share=share)
        for photo in evaluation_set(n=1, seed=task.seed, first=task.index, choices=choices):
            yield photo.pixels
        return
    spec = sample_scene(rng, mark=mark, wear=WEAR[level], split="held_out", mark_share=share)
    yield render(spec).pixels
    for _ in range(EAR_PHOTOS - 1):
        # The same ear and ink, photographed anew.
        again = sample_scene(rng, mark=mark, split="held_out", mark_share=share)
        size = spec.pose
        pose = replace(
            size,
            rotation_deg=float(size.rotation_deg + rng.normal(0.0, 8.0)),
            perspective=again.pose.perspective,
        )
        yield render(replace(spec, light=again.light, camera=again.camera, pose=pose)).pixels


def measure(*, photos: int, seed: int, jobs: int, say: Callable[[str], None]) -> RatioModel:
    """Disputes of both series, ``photos`` photos each."""
    fitted = _run([Task(i, seed, False) for i in range(photos // EAR_PHOTOS)], jobs, say)
    held_out = _run([Task(i, seed, True) for i in range(photos)], jobs, say)
    return ratio_model(
        fitted,
        held_out,
        origin=(
            f"{photos} photos of {photos // EAR_PHOTOS} ears of the shipped simulator with glyph "
            f"sources held out of training for the weights, {photos} photos of as many ears of the "
            f"evaluation scenes for validity and cap, seed {seed}; the true mark against the "
            f"nearest of {HERD} registered ones"
        ),
        models_sha256=measured_models_sha256(),
    )


def _run(tasks: Sequence[Task], jobs: int, say: Callable[[str], None]) -> tuple[Dispute, ...]:
    ears = mapped(disputes_of, tasks, jobs=jobs, chunk=2)
    return tuple(d for ear in told(ears, len(tasks), "ears", every=20, say=say) for d in ear)


@ending()
def main() -> None:
    """Command line of the module."""
    parser = argparse.ArgumentParser(prog="python -m legibility.evaluate.disputes")
    parser.add_argument("--photos", type=int, default=400, help="photos of each of two series")
    parser.add_argument("--seed", type=int, default=60)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=RATIOS_FILE)
    given = parser.parse_args()
    if given.photos < EAR_PHOTOS:
        parser.error(f"--photos is {given.photos}; expected at least {EAR_PHOTOS}, one ear")
    if not given.out.parent.is_dir():
        parser.error(f"--out {given.out}: there is no folder {given.out.parent}; make it first")
    model = measure(
        photos=given.photos,
        seed=given.seed,
        jobs=given.jobs,
        say=lambda line: print(line, flush=True),
    )
    save_ratio_model(model, given.out)
    print(given.out)


if __name__ == "__main__":
    main()
