"""What each part is worth: the same photos read with one part left out at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np

from legibility.containers import ColorImage, Photo, PhotoResult
from legibility.evaluate.baselines import kindest, tesseract_lines
from legibility.evaluate.crop import CROP_HEIGHT_PX, upright_crop
from legibility.evaluate.metrics import character_rate, exact_rate, plain
from legibility.evaluate.outcome import Outcome, judge
from legibility.evaluate.pose import SceneChoices
from legibility.evaluate.report import Report, Row, Section
from legibility.evaluate.run import facts
from legibility.evaluate.scene import evaluation_set
from legibility.evaluate.slices import reading_row
from legibility.evaluate.truth import EvaluationPhoto
from legibility.identify.animals import Registry
from legibility.in_order import mapped

EVERYTHING: Final = "everything"
AS_IT_IS: Final = "photo as it is"
ONLY_JOINED: Final = "dots joined, no other step"
ALL_STEPS: Final = "all steps, dots joined"
NOT_JOINED: Final = "all steps, dots not joined"
ONE_LINE: Final = 7
"""Tesseract's page mode for one line."""
LIGHT_AND_DARK: Final = (5.0, 99.5)
"""Choice: percentiles of a row's darkness that are shown as white and black."""


@dataclass(frozen=True, slots=True)
class Without:
    """The pipeline with something left out."""

    needles: bool = True
    second: bool = True
    steps: frozenset[str] = frozenset()

    def __call__(self, photo: Photo, *, registry: Registry | None = None) -> PhotoResult:
        from legibility.pipeline.run import Choices, read_photo
        from legibility.settings import Settings

        return read_photo(
            photo,
            registry=registry,
            settings=replace(Settings(), second_reader=self.second),
            choices=Choices(needles=self.needles, without_steps=self.steps),
        )


VARIANTS: Final[Mapping[str, Without]] = {
    EVERYTHING: Without(),
    "without the second reader": Without(second=False),
    "without the needle model": Without(needles=False),
    "the network alone": Without(needles=False, second=False),
    "without the glare mask": Without(steps=frozenset({"glare"})),
    "without the hair mask": Without(steps=frozenset({"hair"})),
}
"""Illumination, ink separation and contrast are for people and other programs: the network makes
its own input from the photo, so leaving them out cannot change what is read."""


@dataclass(frozen=True, slots=True)
class Ablated:
    """One person-readable photo."""

    readings: Mapping[str, Outcome]
    """By variant."""
    program: Mapping[str, tuple[str, str]]
    """By picture shown: the mark, and what the general program says."""


def run_ablations(
    *, n: int, seed: int, jobs: int = 1, progress: Callable[[int], object] | None = None
) -> Report:
    """Leave out one reader or one enhancement step at a time.

    Parameters
    ----------
    n : int
        Photos made; those a person can read are compared.
    seed, jobs : int
    progress : callable, optional
        Called with 1 after each photo.
    """
    done: list[Ablated] = []
    for ablated in mapped(partial(ablate, seed=seed), range(n), jobs=jobs, chunk=2):
        if ablated is not None:
            done.append(ablated)
        if progress is not None:
            progress(1)
    readers = Section(
        "Readers and masks left out",
        tuple(reading_row(name, [a.readings[name] for a in done]) for name in VARIANTS),
        "Whole photos that a person can read, the same in every row.",
    )
    shown = list(done[0].program) if done else []
    rows: tuple[Row, ...] = tuple(
        {
            "picture shown": name,
            "exact mark": exact_rate([a.program[name] for a in done], merge=True),
            "characters": character_rate([a.program[name] for a in done], merge=True),
        }
        for name in shown
    )
    enhanced = Section(
        "Enhancement steps left out, read by another program",
        rows,
        "Tesseract on each row, cut upright at its true place, dark on light; O=0, I=1; row breaks "
        "ignored.",
    )
    return Report(n=n, seed=seed, sections=(readers, enhanced), facts=facts())


def ablate(index: int, *, seed: int) -> Ablated | None:
    """Photo ``index`` in every variant; None when a person could not read it."""
    choices = SceneChoices(width_px=1200)
    (photo,) = evaluation_set(n=1, seed=seed, first=index, choices=choices)
    if not photo.truth.person_readable:
        return None
    shown = photo.photo()
    return Ablated(
        readings={name: judge(photo, read(shown)) for name, read in VARIANTS.items()},
        program={
            name: _said(photo, picture, joined=joined) for name, picture, joined in _pictures(photo)
        },
    )


def _pictures(photo: EvaluationPhoto) -> Iterator[tuple[str, EvaluationPhoto, bool]]:
    """Photo, ink picture with all steps and with each left out; and whether to join the dots."""
    from legibility.enhance.chain import STEPS, enhance

    yield AS_IT_IS, photo, False
    yield ONLY_JOINED, photo, True
    side = max(photo.pixels.shape[:2])

    def inked(*without: str) -> EvaluationPhoto:
        ink = enhance(photo.photo(), working_px=side, without=without).ink
        grey = np.round(255.0 * (1.0 - np.clip(ink, 0.0, 1.0))).astype(np.uint8)
        return replace(photo, pixels=np.repeat(grey[..., None], 3, axis=2))

    everything = inked()
    yield ALL_STEPS, everything, True
    yield NOT_JOINED, everything, False
    for step in STEPS:
        yield f"without {step}", inked(step), True


def _said(photo: EvaluationPhoto, picture: EvaluationPhoto, *, joined: bool) -> tuple[str, str]:
    """The mark, and what the program says of its rows."""
    rows = [upright_crop(picture, row=row) for row in range(len(photo.truth.rows))]
    lines = [
        "".join(tesseract_lines(_joined(row) if joined else row, page_mode=ONE_LINE))
        for row in rows
    ]
    mark = photo.truth.mark
    return plain(mark), kindest(mark, ("".join(lines),))


def _joined(row: ColorImage) -> ColorImage:
    """An upright row with its dots joined to strokes, (height, width, 3) uint8."""
    from legibility.enhance.contrast import dot_join
    from legibility.pipeline.cells import NEEDLE_PITCH

    dark = 255.0 - row.astype(np.float32).mean(axis=2)
    low, high = np.percentile(dark, LIGHT_AND_DARK)
    ink = np.clip((dark - low) / max(high - low, 1.0), 0.0, 1.0).astype(np.float32)
    joined = dot_join(ink, pitch_px=NEEDLE_PITCH * CROP_HEIGHT_PX)
    return np.repeat(joined[..., None], 3, axis=2)
