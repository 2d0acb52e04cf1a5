"""Several photos of one animal: read, combined, and what to do after each."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from legibility import __version__
from legibility.containers import (
    Decision,
    Flag,
    Given,
    Identification,
    Known,
    PhotoResult,
    Provenance,
    Reading,
    SessionMoment,
    SessionPhoto,
    SessionResult,
    Stage,
    Status,
    Witness,
)
from legibility.identify.animals import Registry
from legibility.identify.decision import says_no_mark
from legibility.identify.marktext import best_text
from legibility.identify.stages import minutes_spent
from legibility.identify.step_effects import StepModel
from legibility.identify.stop import advise
from legibility.networks import models_sha256
from legibility.photo.fingerprint import Fingerprint, fingerprint, first_of_each
from legibility.photo.load import load_photo
from legibility.pipeline.run import Choices, final_calibration, read_photo
from legibility.pipeline.session_evidence import Counted, conclusion, gather
from legibility.pipeline.visit_check import check_visit
from legibility.settings import Settings

if TYPE_CHECKING:
    from legibility.marks.rules import Rules

NO_FINGERPRINT: Final[Fingerprint] = np.zeros(0, dtype=np.bool_)
"""Of a file that could not be used."""


@dataclass(frozen=True, slots=True)
class Shot:
    """A photo to be read among others of one animal."""

    path: Path
    ear: str = ""
    """Left, right, or empty when it is not known."""
    stage: Stage = Stage.AS_FOUND
    number: int = 0
    """Which photo it is, as people count them; 0: its place among those given."""


@dataclass(frozen=True, slots=True)
class ReadShot:
    """A photo that was read, and what tells whether it repeats another one."""

    result: PhotoResult
    fingerprint: Fingerprint


def read_shot(
    path: Path,
    *,
    registry: Registry | None,
    rules: Rules | None,
    settings: Settings,
    known: Known | None = None,
) -> ReadShot:
    """Read one photo and take its fingerprint.

    Raises
    ------
    PhotoError
        If the file cannot be used as a photo.
    """
    photo = load_photo(path, settings=settings)
    choices = Choices(given=Given(known or Known()))
    result = read_photo(photo, registry=registry, rules=rules, settings=settings, choices=choices)
    return ReadShot(result, fingerprint(photo.pixels))


def says_nothing(reading: Reading, settings: Settings) -> bool:
    """Whether a photo shows no readable mark, by the same rule as for one photo alone."""
    return says_no_mark(reading) or not best_text(reading, settings)


def combine_session(
    session: str,
    shots: Sequence[Shot],
    read: Sequence[ReadShot],
    *,
    registry: Registry | None,
    rules: Rules | None = None,
    settings: Settings,
    model: StepModel,
    minutes: float = math.nan,
    given: Given | None = None,
    witnesses: Sequence[Witness] = (),
    one_for_sure: bool = False,
) -> SessionResult:
    """What photos of one animal say together, and what to do after each of them.

    Parameters
    ----------
    session : str
        Name of the animal or the session; it groups photos and is no evidence.
    shots, read : sequence
        The photos in the order they were taken, and what was read in each.
    registry : Registry or None
        None: the marks that the photos may show are weighed against each other.
    rules : Rules, optional
        Without a registry: only marks that they allow are weighed.
    settings : Settings
    model : StepModel
        How photos combine, and what steps do.
    minutes : float
        Minutes of handling so far; NaN: what the stages take by the settings.
    given : Given, optional
        What is known of the animal, and what people read of the ear of the first photo that names
        one; weighed against a registry only.
    witnesses : sequence of Witness
        What may speak against the photos; against a registry only.
    one_for_sure : bool
        A person looked again and says that all photos are of one animal: nothing is asked.

    Raises
    ------
    ValueError
        If there is no photo, or not one reading for each.
    """
    if not shots or len(shots) != len(read):
        raise ValueError(f"{len(shots)} photos and {len(read)} readings; expected one for each")
    started = time.perf_counter()
    calibration, digest = final_calibration(settings)
    results = [shot.result for shot in read]
    repeats = first_of_each(
        [shot.result.sha256 for shot in read], [shot.fingerprint for shot in read]
    )
    given = given or Given()
    ears, notices = _ears(shots, given.known.ear)
    notices += tuple(
        f"{results[i].photo} shows the same shot as {results[k].photo}; it counts once"
        for i, k in enumerate(repeats)
        if k >= 0
    )
    counted = [
        Counted(index, shot.number or index + 1, result, ear, shot.stage)
        for index, (shot, result, ear) in enumerate(zip(shots, results, ears, strict=True))
        if repeats[index] < 0
        and result.status is not Status.ERROR
        and not says_nothing(result.reading, settings)
    ]
    evidence = gather(
        counted,
        ears,
        registry=registry,
        rules=rules,
        settings=settings,
        calibration=calibration,
        given=given,
        witnesses=witnesses,
    )
    moments: list[SessionMoment] = []
    for end in range(1, len(shots) + 1):
        is_last = end == len(shots)
        identification, weights, text = conclusion(
            evidence,
            end,
            failed=_failed(results[:end]),
            tempering=model.tempering,
            explained=given.explain if is_last else "",
        )
        check, identification = check_visit(
            evidence.seen(end, is_last=is_last),
            identification,
            evidence.weigher,
            ear=evidence.ear,
            one_for_sure=one_for_sure,
            known=evidence.known,
        )
        done = [shot.stage for shot in shots[:end]]
        spent = minutes_spent(done, settings)
        if not math.isnan(minutes):
            spent = minutes if is_last else min(spent, minutes)
        advice = advise(
            _chance(identification, settings),
            done=done,
            minutes_spent=spent,
            hair=Flag.HAIR in results[end - 1].flags,
            effects=model.effects,
            settings=settings,
            disagreement=check.disagreement,
        )
        first = identification.candidates[:1]
        moments.append(SessionMoment(first, identification.decision, advice, check))
    weight_of = {one.index: weight for one, weight in zip(counted, weights, strict=True)}
    return SessionResult(
        session=session,
        photos=tuple(
            SessionPhoto(shot_result, ear, shot.stage, repeat, weight_of.get(index, 0.0))
            for index, (shot_result, ear, shot, repeat) in enumerate(
                zip(results, ears, shots, repeats, strict=True)
            )
        ),
        text=text,
        identification=identification,
        after_each=tuple(moments),
        notices=notices,
        provenance=Provenance(__version__, models_sha256(), settings.sha256, digest),
        seconds=sum(result.seconds for result in results) + time.perf_counter() - started,
    )


def _ears(shots: Sequence[Shot], known: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The ear each photo counts with. One of an unknown ear joins a named one: taking it for a
    third ear would let the same faults count twice."""
    named = list(dict.fromkeys(shot.ear for shot in shots if shot.ear))
    named = named or [known] * bool(known)
    unnamed = sum(not shot.ear for shot in shots)
    notices: tuple[str, ...] = ()
    if named and unnamed and not (known and unnamed == len(shots)):
        notices = (f"{unnamed} photos name no ear; they are taken for the {named[0]} one",)
    return tuple(shot.ear or (named[0] if named else "") for shot in shots), notices


def _failed(results: Sequence[PhotoResult]) -> Decision:
    """Decision where nothing was read: photograph again if no photo was good enough."""
    usable = [r.identification.decision for r in results if r.status is not Status.ERROR]
    again = bool(usable) and all(decision is Decision.RETAKE for decision in usable)
    return Decision.RETAKE if again else Decision.UNREADABLE


def _chance(identification: Identification, settings: Settings) -> float:
    """Probability of the first candidate, below the threshold while the decision leaves it open;
    without one nothing is known but the prior."""
    if not identification.candidates:
        return settings.not_registered_prior
    chance = identification.candidates[0].probability
    if identification.decision.settles:
        return chance
    return min(chance, float(np.nextafter(settings.identified_probability, 0.0)))
