"""Several photos of one animal: read, combined, and what to do after each."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from legibility import __version__
from legibility.containers import (
    Animal,
    Candidate,
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
from legibility.identify.allowed_marks import probable_allowed_marks
from legibility.identify.animals import Registry, registry_of
from legibility.identify.by_eye import Eyes, eyes
from legibility.identify.calibration import FinalCalibration
from legibility.identify.confusables import confusables
from legibility.identify.decision import conclude, says_no_mark
from legibility.identify.ears import ear_ratios, mark_likelihoods
from legibility.identify.known import AnimalPrior, animal_prior
from legibility.identify.marktext import best_text, probable_marks
from legibility.identify.one_photo import Weighed, together
from legibility.identify.sequence import PhotoEvidence
from legibility.identify.stages import minutes_spent
from legibility.identify.step_effects import StepModel
from legibility.identify.stop import advise
from legibility.networks import models_sha256
from legibility.photo.fingerprint import Fingerprint, fingerprint, first_of_each
from legibility.photo.load import load_photo
from legibility.pipeline.explain import CountedPhoto, explain
from legibility.pipeline.run import Choices, final_calibration, read_photo
from legibility.pipeline.visit_check import (
    Seen,
    check_visit,
    seen_photo,
    seen_reading,
    seen_witness,
)
from legibility.settings import Settings

if TYPE_CHECKING:
    from legibility.marks.rules import Rules

MARKS_CONSIDERED: Final = 30
"""Choice: without a registry, most marks of each photo that are weighed against each other."""
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


@dataclass(frozen=True, slots=True)
class _Said:
    """Evidence of the photos that count, for the calibration and for its ranking."""

    indices: tuple[int, ...]
    photos: tuple[PhotoEvidence, ...]
    ranking: tuple[PhotoEvidence, ...]
    prior: AnimalPrior
    eyes: tuple[Eyes, Eyes]
    """People's readings: where no photo counts yet, and beside one."""
    seen: tuple[Seen, ...]
    """The photos as pieces of a visit."""
    beside: tuple[Seen, ...]
    """People's readings and witnesses likewise."""
    ear: str
    """The ear of all photos; empty when they show both, or none is named."""


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
        index
        for index, result in enumerate(results)
        if repeats[index] < 0
        and result.status is not Status.ERROR
        and not says_nothing(result.reading, settings)
    ]
    known = registry is not None and len(registry) > 0
    herd = registry if registry is not None and known else None
    if herd is None:
        readings = [results[index].reading for index in counted]
        herd = _marks_registry(readings, rules, settings, calibration.exponent)
        given, witnesses = Given(), ()
    said = _evidence(counted, shots, ears, results, herd, settings, calibration, given, witnesses)
    moments: list[SessionMoment] = []
    last: tuple[Identification, tuple[float, ...], str] = (
        _nothing(results), (0.0,) * len(shots), ""
    )  # fmt: skip
    for end in range(1, len(shots) + 1):
        asked = given.explain if known and end == len(shots) else ""
        last = _conclusion(
            end, said, results, herd, known, settings, calibration, model, explained=asked
        )
        there = [one for one, index in zip(said.seen, said.indices, strict=True) if index < end]
        there += [one for one in said.beside if end == len(shots) or 0 <= one.photo < end]
        check, identification = check_visit(
            there,
            last[0],
            herd,
            prior=said.prior.logp,
            ear=said.ear,
            settings=settings,
            one_for_sure=one_for_sure,
            known=known,
        )
        last = (identification, *last[1:])
        done = [shot.stage for shot in shots[:end]]
        by_settings = minutes_spent(done, settings)
        spent = by_settings if math.isnan(minutes) else min(by_settings, minutes)
        if end == len(shots) and not math.isnan(minutes):
            spent = minutes
        first = identification.candidates[:1]
        advice = advise(
            _chance(identification, settings),
            done=done,
            minutes_spent=spent,
            hair=Flag.HAIR in results[end - 1].flags,
            effects=model.effects,
            settings=settings,
            disagreement=check.disagreement,
        )
        moments.append(SessionMoment(first, identification.decision, advice, check))
    identification, weights, text = last
    return SessionResult(
        session=session,
        photos=tuple(
            SessionPhoto(result, ear, shot.stage, repeat, weight)
            for result, ear, shot, repeat, weight in zip(
                results, ears, shots, repeats, weights, strict=True
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


def _evidence(
    counted: Sequence[int],
    shots: Sequence[Shot],
    ears: Sequence[str],
    results: Sequence[PhotoResult],
    registry: Registry,
    settings: Settings,
    calibration: FinalCalibration,
    given: Given,
    witnesses: Sequence[Witness],
) -> _Said:
    prior = animal_prior(registry, given.known, settings=settings)
    photos: list[list[PhotoEvidence]] = [[], []]
    pieces: list[Seen] = []
    for index in counted:
        reading = results[index].reading
        likelihoods = mark_likelihoods(reading, registry, settings=settings)
        for kept, chosen in zip(
            photos, (calibration, calibration.scored_with or calibration), strict=True
        ):
            ratios = ear_ratios(
                likelihoods,
                reading,
                registry,
                ear=ears[index],
                prior=prior.logp,
                settings=settings,
                calibration=chosen,
            )
            kept.append(
                PhotoEvidence(
                    ratios.either,
                    ears[index],
                    shots[index].stage,
                    straight=ratios.straight,
                    swapped=ratios.swapped,
                )
            )
        pieces.append(
            seen_photo(
                index,
                reading,
                likelihoods,
                registry,
                text=best_text(reading, settings),
                number=shots[index].number or index + 1,
                was_read=bool(results[index].identification.candidates),
                stated=photos[0][-1].log_ratio,
                ear=ears[index],
                prior=prior.logp,
                settings=settings,
                calibration=calibration,
            )
        )
    first_ear = next((ear for ear in ears if ear), "")
    seen = [
        eyes(
            given.readings,
            registry,
            ear=first_ear,
            prior=prior.logp,
            settings=settings,
            beside_a_photo=beside,
        )
        for beside in (False, True)
    ]
    beside_them = [
        seen_reading(one, registry, ear=first_ear, prior=prior.logp, settings=settings)
        for one in given.readings
    ]
    beside_them += [
        seen_witness(
            one,
            registry,
            ear=ears[one.photo] if one.photo >= 0 else first_ear,
            prior=prior.logp,
            settings=settings,
            calibration=calibration,
        )
        for one in witnesses
    ]
    return _Said(
        indices=tuple(counted),
        photos=tuple(photos[0]),
        ranking=tuple(photos[1]),
        prior=prior,
        eyes=(seen[0], seen[1]),
        seen=tuple(pieces),
        beside=tuple(one for one in beside_them if one is not None),
        ear=ears[0] if len(set(ears)) == 1 else "",
    )


def _conclusion(
    end: int,
    said: _Said,
    results: Sequence[PhotoResult],
    registry: Registry,
    known: bool,
    settings: Settings,
    calibration: FinalCalibration,
    model: StepModel,
    *,
    explained: str,
) -> tuple[Identification, tuple[float, ...], str]:
    """Identification by the first ``end`` photos, the photos' weights, and the mark as read."""
    weights = [0.0] * len(results)
    count = sum(index < end for index in said.indices)
    seen = said.eyes[count > 0]
    if not count and not seen.readings:
        return _nothing(results[:end]), tuple(weights), ""
    logp = said.prior.logp
    all_together, alone = together(
        list(said.photos[:count]), logp, seen, tempering=model.tempering, settings=settings
    )
    for index, weight in zip(said.indices, all_together.weights, strict=False):
        weights[index] = weight
    best = results[int(np.argmax(weights))]
    text = best_text(best.reading, settings) if count else ""
    failed = _nothing(results[:end]).decision
    if not known:
        found = _without_registry(all_together.probabilities, registry, settings, failed)
        return found, tuple(weights), text
    ranking = None
    if calibration.scored_with is not None:
        ranked, _ = together(
            list(said.ranking[:count]), logp, seen, tempering=model.tempering, settings=settings
        )
        ranking = ranked.probabilities
    weighed = Weighed(
        all_together.probabilities, ranking, said.prior, seen, alone.probabilities, said.ear
    )
    identification = conclude(
        weighed,
        registry,
        text=text,
        settings=settings,
        calibration=calibration,
        failed=failed,
        exchange=confusables(best.reading, registry) if count else (),
        reading=best.reading if count else None,
    )
    if explained:
        told = explain(
            explained,
            [
                CountedPhoto(index, results[index].reading, photo.ear, weights[index])
                for index, photo in zip(said.indices, said.photos[:count], strict=False)
            ],
            weighed,
            registry,
            text=text,
            settings=settings,
            calibration=calibration,
        )
        identification = replace(identification, explanation=(told,))
    return identification, tuple(weights), text


def _marks_registry(
    readings: Sequence[Reading], rules: Rules | None, settings: Settings, exponent: float
) -> Registry:
    """The marks the photos may show, each as if it were an animal."""
    marks: dict[str, None] = {}
    for reading in readings:
        if rules is None:
            found = probable_marks(reading, count=MARKS_CONSIDERED, exponent=exponent)
        else:
            found = probable_allowed_marks(
                reading, rules, count=MARKS_CONSIDERED, exponent=exponent
            )
        marks.update((mark, None) for mark, _ in found)
    return registry_of([Animal(animal_id=mark, mark=mark) for mark in sorted(marks)])


def _without_registry(
    probabilities: NDArray[np.float64], marks: Registry, settings: Settings, failed: Decision
) -> Identification:
    order = np.argsort(-probabilities[:-1], kind="stable")[: max(1, settings.candidates_listed)]
    candidates = tuple(Candidate(None, marks.mark(int(k)), float(probabilities[k])) for k in order)
    if not candidates:
        return Identification((), (), failed, 1.0, (), "no character can be read")
    decision, why = Decision.AMBIGUOUS, "the mark is read in part; no registry was given"
    if candidates[0].probability >= settings.identified_probability:
        decision, why = Decision.UNREGISTERED, "the mark is read; no registry was given"
    risk = max(0.0, 1.0 - candidates[0].probability)
    return Identification(
        candidates[: settings.candidates_listed], (None,), decision, risk, (), why, "no registry"
    )


def _nothing(results: Sequence[PhotoResult]) -> Identification:
    """Nothing was read: photograph again if no photo was good enough."""
    usable = [r.identification.decision for r in results if r.status is not Status.ERROR]
    again = bool(usable) and all(decision is Decision.RETAKE for decision in usable)
    decision = Decision.RETAKE if again else Decision.UNREADABLE
    return Identification((), (), decision, 1.0, (), "nothing on the photos can be read as a mark")


def _chance(identification: Identification, settings: Settings) -> float:
    """Probability of the first candidate, below the threshold while the decision leaves it open;
    without one nothing is known but the prior."""
    if not identification.candidates:
        return settings.not_registered_prior
    chance = identification.candidates[0].probability
    if identification.decision in (Decision.IDENTIFIED, Decision.UNREGISTERED):
        return chance
    return min(chance, float(np.nextafter(settings.identified_probability, 0.0)))
