"""Photo to result."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from legibility import __version__
from legibility.alphabet import NO_CHARACTER, ROW_SEPARATOR, UNREAD
from legibility.containers import (
    Decision,
    Flag,
    Given,
    Identification,
    Photo,
    PhotoResult,
    Provenance,
    Reading,
    Status,
    Steps,
)
from legibility.enhance.chain import enhance
from legibility.herd.grade import grade
from legibility.identify.calibration import FinalCalibration
from legibility.identify.calibration_file import calibration_sha256, load_final_calibration
from legibility.identify.decision import identify, says_no_mark
from legibility.identify.marktext import best_text
from legibility.identify.one_photo import weigh
from legibility.networks import models_sha256
from legibility.photo.capture import MarkBox, check_capture
from legibility.photo.flags import describe
from legibility.photo.load import load_photo
from legibility.pipeline.cells import Readers
from legibility.pipeline.drawn_row import Drawn, sight_along
from legibility.pipeline.explain import CountedPhoto, explain
from legibility.pipeline.reading import read_mark
from legibility.settings import Settings

if TYPE_CHECKING:
    from legibility.identify.registry import Registry
    from legibility.identify.rules import Rules


@dataclass(frozen=True, slots=True)
class Choices:
    """What is left out of a reading, for ablations, and what a person said of it."""

    needles: bool = True
    without_steps: frozenset[str] = field(default_factory=frozenset)
    """Enhancement steps that are not run."""
    drawn: Drawn | None = None
    """The row as a person drew it; the mark is looked for when it is None."""
    given: Given = field(default_factory=Given)
    """What people say beside the photo."""


def read(
    path: Path,
    *,
    registry: Registry | None = None,
    rules: Rules | None = None,
    settings: Settings | None = None,
    given: Given | None = None,
) -> PhotoResult:
    """Read a photo file.

    Raises
    ------
    PhotoError
        If the file cannot be used as a photo.
    """
    return read_steps(path, registry=registry, rules=rules, settings=settings, given=given)[0]


def read_steps(
    path: Path,
    *,
    registry: Registry | None = None,
    rules: Rules | None = None,
    settings: Settings | None = None,
    given: Given | None = None,
) -> tuple[PhotoResult, Steps]:
    """Read a photo file and keep the pictures the reader looked at.

    Raises
    ------
    PhotoError
        If the file cannot be used as a photo.
    """
    settings = settings or Settings()
    started = time.perf_counter()
    photo = load_photo(path, settings=settings)
    return _read(photo, registry, rules, settings, Choices(given=given or Given()), started)


def read_photo(
    photo: Photo,
    *,
    registry: Registry | None = None,
    rules: Rules | None = None,
    settings: Settings | None = None,
    choices: Choices | None = None,
) -> PhotoResult:
    """Read a decoded photo.

    A poor photo is a result with flags, not an error.
    """
    started = time.perf_counter()
    chosen = choices or Choices()
    return _read(photo, registry, rules, settings or Settings(), chosen, started)[0]


def _read(
    photo: Photo,
    registry: Registry | None,
    rules: Rules | None,
    settings: Settings,
    choices: Choices,
    started: float,
) -> tuple[PhotoResult, Steps]:
    enhanced = enhance(photo, settings=settings, without=choices.without_steps)
    readers = Readers(
        needles=choices.needles,
        second=settings.second_reader,
        second_timeout_s=settings.second_reader_timeout_s,
        dies=settings.dies_file,
    )
    not_seen = enhanced.glare | enhanced.hair
    drawn = choices.drawn
    reading, sighting, _ = read_mark(
        photo.pixels,
        not_seen=not_seen,
        readers=readers,
        sighting=sight_along(photo.pixels, drawn, not_seen=not_seen) if drawn else None,
    )
    calibration, digest = final_calibration(settings)
    quads = _quads(reading)
    capture = check_capture(photo, mark=MarkBox(quads) if quads else None)
    identification = identify(
        reading,
        registry,
        rules=rules,
        settings=settings,
        calibration=calibration,
        capture_good_enough=capture.good_enough,
        given=choices.given,
    )
    if registry is not None and choices.given.explain:
        identification = with_explanation(
            identification, reading, registry, choices.given, settings, calibration
        )
    text = best_text(reading, settings)
    refused = identification.decision in (Decision.UNREADABLE, Decision.RETAKE) and (
        not text.strip(UNREAD + ROW_SEPARATOR) or math.exp(min(0.0, reading.logp_no_mark)) >= 0.5
    )
    flags = capture.flags | reading.flags
    status = _status(identification, refused)
    result = PhotoResult(
        photo=photo.name,
        sha256=photo.sha256,
        status=status,
        flags=flags,
        reasons=_reasons(identification, flags, status),
        text="" if refused else text,
        reading=reading,
        identification=identification,
        grade=None if refused else grade(reading, capture),
        provenance=Provenance(__version__, models_sha256(), settings.sha256, digest),
        seconds=time.perf_counter() - started,
        measures=capture.measures,
    )
    return result, Steps(enhanced=enhanced, strips=sighting.tried, spots=sighting.spots)


def with_explanation(
    identification: Identification,
    reading: Reading,
    registry: Registry,
    given: Given,
    settings: Settings,
    calibration: FinalCalibration,
) -> Identification:
    """The same with the explanation that was asked for, if anything was read."""
    text = best_text(reading, settings)
    silent = not text or says_no_mark(reading)
    if not len(registry) or (silent and not given.readings):
        return identification
    weighed = weigh(
        None if silent else reading,
        registry,
        given=given,
        settings=settings,
        calibration=calibration,
    )
    photos = [] if silent else [CountedPhoto(0, reading, given.known.ear, 1.0)]
    told = explain(
        given.explain,
        photos,
        weighed,
        registry,
        text=text,
        settings=settings,
        calibration=calibration,
    )
    return replace(identification, explanation=(told,))


def final_calibration(settings: Settings) -> tuple[FinalCalibration, str]:
    """The final calibration that the settings name, and its digest; loaded once a process.

    Raises
    ------
    ModelError
        If the file cannot be used.
    """
    return _loaded_calibration(settings.calibration_file)


@lru_cache(maxsize=4)
def _loaded_calibration(file: str) -> tuple[FinalCalibration, str]:
    calibration = load_final_calibration(Path(file) if file else None)
    return calibration, calibration_sha256(calibration)


def _quads(reading: Reading) -> tuple[np.ndarray, ...]:
    if not reading.hypotheses or math.exp(min(0.0, reading.logp_no_mark)) >= 0.5:
        return ()
    best = reading.hypotheses[0]
    return tuple(
        cell.quad for row in best.rows for cell in row if np.argmax(cell.logp) != NO_CHARACTER
    )


def _status(identification: Identification, refused: bool) -> Status:
    if not refused:
        return Status.READ
    retake = identification.decision is Decision.RETAKE
    return Status.RETAKE if retake else Status.UNREADABLE


def _reasons(identification: Identification, flags: Flag, status: Status) -> tuple[str, ...]:
    """Why the result is what it is: the decision first, then what is wrong with the photo."""
    reasons = [identification.reason] if identification.reason else []
    for info in describe(flags):
        if info.prevents_reading or status is not Status.READ:
            reasons.append(info.sentence)
    return tuple(reasons)
