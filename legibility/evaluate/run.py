"""One evaluation: photos made, read, judged, and compared with other readers and the ceiling."""

from __future__ import annotations

import platform
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeVar

import numpy as np

from legibility.evaluate.baselines import BASELINES, kindest
from legibility.evaluate.ideal import read_ideally
from legibility.evaluate.marks import evaluation_herd
from legibility.evaluate.metrics import character_rate, exact_rate, plain
from legibility.evaluate.outcome import Outcome, PhotoReader, judge
from legibility.evaluate.pose import SceneChoices
from legibility.evaluate.report import Report, Row, Section, write_report
from legibility.evaluate.scene import evaluation_set
from legibility.evaluate.slices import (
    calibration_sections,
    reading_row,
    reading_section,
    refusal_section,
    registry_section,
)
from legibility.evaluate.truth import EvaluationPhoto
from legibility.identify.animals import Registry, registry_of
from legibility.in_order import mapped

T = TypeVar("T")

__all__ = ["pose_pairs", "run_evaluation", "write_report"]

HERD: Final = 400
"""Contract: animals of the registry."""

NOT_REGISTERED: Final = 0.10
"""Contract: share of photographed animals that are not registered."""

NO_MARK: Final = 0.10
"""Choice: share of pictures without a mark."""

POSES: Final[Mapping[str, SceneChoices]] = {
    "upright": SceneChoices(rotation_deg=8.0, mirrored=False),
    "upside down": SceneChoices(rotation_deg=-172.0, mirrored=False),
    "mirrored": SceneChoices(rotation_deg=8.0, mirrored=True),
}
"""The same ears in three poses, so that nothing else differs."""


def default_reader() -> PhotoReader:
    """The pipeline with its default settings."""
    from legibility.pipeline import read_photo

    reader: PhotoReader = read_photo
    return reader


@dataclass(frozen=True, slots=True)
class Herd:
    """Animals that are photographed, and the registry that knows most of them."""

    registry: Registry
    marks: tuple[str, ...]
    animal_ids: tuple[str | None, ...]
    """In the order of ``marks``; None for those not registered."""


def make_herd(*, seed: int) -> Herd:
    """Registered animals with near-twins, and others of the same kind that are not registered."""
    extra = round(HERD * NOT_REGISTERED / (1 - NOT_REGISTERED))
    animals = evaluation_herd(HERD + extra, seed)
    hidden = set(np.random.default_rng((seed, 7)).permutation(len(animals))[:extra].tolist())
    known = tuple(a for i, a in enumerate(animals) if i not in hidden)
    return Herd(
        registry=registry_of(known, name="evaluation herd"),
        marks=tuple(a.mark for a in animals),
        animal_ids=tuple(None if i in hidden else a.animal_id for i, a in enumerate(animals)),
    )


def herd_photo(
    index: int,
    *,
    herd: Herd,
    seed: int,
    no_mark_share: float = NO_MARK,
    choices: SceneChoices | None = None,
) -> tuple[EvaluationPhoto, str | None]:
    """Photo ``index`` of an animal drawn from the herd, and who is in it."""
    animal = int(np.random.default_rng((seed, index, 1)).integers(len(herd.marks)))
    (photo,) = evaluation_set(
        n=1,
        seed=seed,
        first=index,
        no_mark_share=no_mark_share,
        choices=replace(choices or SceneChoices(), mark=herd.marks[animal]),
    )
    return photo, (herd.animal_ids[animal] if photo.truth.mark else None)


def run_evaluation(
    *,
    n: int,
    seed: int,
    reader: PhotoReader | None = None,
    baselines: Collection[str] = ("Tesseract, whole photo", "Tesseract, upright crop"),
    baseline_photos: int = 100,
    pairs: int | None = None,
    choices: SceneChoices | None = None,
    jobs: int = 1,
    progress: Callable[[int], object] | None = None,
) -> Report:
    """Measure a reader on ``n`` evaluation photos.

    Parameters
    ----------
    n : int
    seed : int
    reader : PhotoReader, optional
        The pipeline by default.
    baselines : collection of str, optional
        Keys of ``BASELINES`` to run on the same photos.
    baseline_photos : int, optional
        They are run on the first so many person-readable photos.
    pairs : int, optional
        Ears photographed in each of ``POSES``; n // 8 by default.
    choices : SceneChoices, optional
        What to hold fixed in all photos, e.g. their width.
    jobs : int, optional
        Processes; an own ``reader`` must be picklable when there are several.
    progress : callable, optional
        Called with the number of photos done since its last call.

    Returns
    -------
    Report
    """
    judge_photo = _PhotoJudge(make_herd(seed=seed), seed, choices, reader, tuple(baselines))
    outcomes: list[Outcome] = []
    ideal: list[tuple[str, str, int, bool]] = []
    others: dict[str, list[tuple[str, str]]] = {name: [] for name in baselines}
    compared: list[Outcome] = []
    for found in mapped(judge_photo, range(n), jobs=jobs, chunk=2):
        outcomes.append(found.outcome)
        if found.ideal is not None:
            ideal.append(found.ideal)
        if found.others and len(compared) < baseline_photos:
            compared.append(found.outcome)
            for name, pair in found.others.items():
                others[name].append(pair)
        if progress is not None:
            progress(1)
    sections = (
        reading_section(outcomes),
        registry_section(outcomes),
        refusal_section(outcomes),
        *calibration_sections(outcomes),
        ceiling_section(ideal, outcomes),
        *((baseline_section(others, compared),) if others else ()),
        pose_pairs(reader, n=n // 8 if pairs is None else pairs, seed=seed, jobs=jobs),
    )
    return Report(n=n, seed=seed, sections=sections, facts=facts())


@dataclass(frozen=True, slots=True)
class _Judged:
    outcome: Outcome
    ideal: tuple[str, str, int, bool] | None
    """Mark, the ideal observer's reading, fading, person-readable; None without a mark."""
    others: Mapping[str, tuple[str, str]]
    """Other readers' answers; empty when the photo is not person-readable."""


@dataclass(frozen=True, slots=True)
class _PhotoJudge:
    """Makes, reads and judges photo ``index`` of an evaluation; pickles to its worker once."""

    herd: Herd
    seed: int
    choices: SceneChoices | None
    reader: PhotoReader | None
    baselines: tuple[str, ...]

    def __call__(self, index: int) -> _Judged:
        read = self.reader or default_reader()
        photo, animal_id = herd_photo(index, herd=self.herd, seed=self.seed, choices=self.choices)
        outcome = judge(
            photo, read(photo.photo(), registry=self.herd.registry), animal_id=animal_id
        )
        truth = photo.truth
        ideal = None
        if truth.mark:
            ideal = (truth.mark, read_ideally(photo).text, truth.fading, truth.person_readable)
        others = {}
        if truth.person_readable:
            for name in self.baselines:
                said = kindest(truth.mark, BASELINES[name](photo))
                others[name] = (plain(truth.mark), said)
        return _Judged(outcome, ideal, others)


def ceiling_section(
    ideal: Sequence[tuple[str, str, int, bool]], outcomes: Sequence[Outcome]
) -> Section:
    """The ideal observer beside the reader, by fading."""
    marked = [o for o in outcomes if o.mark]
    groups: list[tuple[str, list[int]]] = [
        (f"fading {level}", [i for i, item in enumerate(ideal) if item[2] == level])
        for level in range(4)
    ]
    groups.append(("person-readable", [i for i, item in enumerate(ideal) if item[3]]))
    rows: list[Row] = []
    for name, chosen in groups:
        best = [ideal[i][:2] for i in chosen]
        ours = [(marked[i].mark, marked[i].said) for i in chosen]
        rows.append(
            {
                "photos": name,
                "ideal, characters": character_rate(best, merge=True),
                "reader, characters": character_rate(ours, merge=True),
                "ideal, exact": exact_rate(best, merge=True),
                "reader, exact": exact_rate(ours, merge=True),
            }
        )
    return Section(
        "Ideal observer",
        tuple(rows),
        "Told place, die set, fading and clutter, the ideal observer is the ceiling. O=0, I=1.",
    )


def baseline_section(
    others: Mapping[str, Sequence[tuple[str, str]]], compared: Sequence[Outcome]
) -> Section:
    """General programs beside the reader on the same person-readable photos."""
    ours = [(plain(o.mark), plain(o.said)) for o in compared]
    rows: list[Row] = [
        {
            "reader": name,
            "exact mark": exact_rate(pairs, merge=True),
            "characters": character_rate(pairs, merge=True),
        }
        for name, pairs in {"this package, whole photo": ours, **others}.items()
    ]
    return Section(
        "Other readers",
        tuple(rows),
        "Person-readable photos; row breaks ignored; O=0, I=1; of all another program says, the "
        "piece nearest to the truth counts.",
    )


@dataclass(frozen=True, slots=True)
class _PoseJudge:
    """Reads ear ``index`` in every pose; nothing unless it is person-readable in all of them."""

    reader: PhotoReader | None
    seed: int
    width_px: int

    def __call__(self, index: int) -> dict[str, Outcome]:
        views = {}
        for name, pose in POSES.items():
            fresh = replace(pose, fading=0, width_px=self.width_px)
            (views[name],) = evaluation_set(n=1, seed=self.seed, first=index, choices=fresh)
        if not all(photo.truth.person_readable for photo in views.values()):
            return {}
        read = self.reader or default_reader()
        return {name: judge(photo, read(photo.photo())) for name, photo in views.items()}


def pose_pairs(
    reader: PhotoReader | None, *, n: int, seed: int, width_px: int = 1200, jobs: int = 1
) -> Section:
    """The same ears upright, upside down and from behind; only ears readable in all three.

    ``reader`` is the pipeline when None; it must be picklable when there are several ``jobs``.
    """
    judged = list(mapped(_PoseJudge(reader, seed + 1, width_px), range(n), jobs=jobs, chunk=2))
    rows = tuple(
        reading_row(name, [views[name] for views in judged if name in views]) for name in POSES
    )
    return Section("The same ears in three poses", rows, f"Fresh marks, {width_px} pixels wide.")


def facts() -> dict[str, str]:
    """Versions of what a report was made with."""
    import cv2

    from legibility import __version__

    return {
        "legibility": __version__,
        "Python": platform.python_version(),
        "OpenCV": str(cv2.__version__),
        "numpy": np.__version__,
    }
