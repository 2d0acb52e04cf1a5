"""What photos of one animal, people, transponders and earlier photos say, and what follows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import (
    Animal,
    Candidate,
    Decision,
    Given,
    Identification,
    PhotoResult,
    Reading,
    Stage,
    Witness,
)
from legibility.identify.allowed_marks import probable_allowed_marks
from legibility.identify.animals import Registry, registry_of
from legibility.identify.by_eye import Eyes, eyes
from legibility.identify.calibration import FinalCalibration
from legibility.identify.confusables import confusables
from legibility.identify.decision import conclude
from legibility.identify.ears import ear_ratios, mark_likelihoods
from legibility.identify.known import AnimalPrior, animal_prior
from legibility.identify.marktext import best_text, probable_marks
from legibility.identify.one_photo import Weighed, together
from legibility.identify.sequence import Combined, PhotoEvidence, Tempering
from legibility.pipeline.explain import CountedPhoto, explain
from legibility.pipeline.visit_pieces import Seen, Weigher, eye_witness
from legibility.settings import Settings

if TYPE_CHECKING:
    from legibility.marks.rules import Rules

MARKS_CONSIDERED: Final = 30
"""Choice: without a registry, most marks of each photo that are weighed against each other."""


@dataclass(frozen=True, slots=True)
class Counted:
    """A photo that counts."""

    index: int
    """Among those given."""
    number: int
    """As people count them."""
    result: PhotoResult
    ear: str
    stage: Stage


@dataclass(frozen=True, slots=True)
class Evidence:
    """Evidence of the photos that count, and of what was said beside them."""

    counted: tuple[Counted, ...]
    photos: tuple[PhotoEvidence, ...]
    ranking: tuple[PhotoEvidence, ...]
    """By ``FinalCalibration.scored_with``."""
    pieces: tuple[Seen, ...]
    """The photos as pieces of a visit."""
    beside: tuple[Seen, ...]
    """People's readings and witnesses likewise."""
    eyes: tuple[Eyes, Eyes]
    """People's readings: where no photo counts yet, and beside one."""
    weigher: Weigher
    prior: AnimalPrior
    known: bool
    """False: the registry is of marks that the photos may show."""
    ear: str
    """The ear of all photos; empty when they show both, or none is named."""

    def seen(self, end: int, *, is_last: bool) -> list[Seen]:
        """What was seen up to the ``end``-th photo; what is of no certain photo, with the last."""
        photos = [one for one in self.pieces if one.photo < end]
        return photos + [one for one in self.beside if is_last or 0 <= one.photo < end]


def gather(
    counted: Sequence[Counted],
    ears: Sequence[str],
    *,
    registry: Registry | None,
    rules: Rules | None,
    settings: Settings,
    calibration: FinalCalibration,
    given: Given,
    witnesses: Sequence[Witness],
) -> Evidence:
    """Weigh photos and what was said beside them.

    Parameters
    ----------
    counted : sequence of Counted
    ears : sequence of str
        Of all photos, those that do not count included.
    registry, rules, settings, calibration, given, witnesses
        As for :func:`.session.combine_session`.
    """
    known = registry is not None and len(registry) > 0
    if registry is None or not known:
        readings = [one.result.reading for one in counted]
        registry = _marks_registry(readings, rules, calibration.exponent)
        given, witnesses = Given(), ()
    prior = animal_prior(registry, given.known, settings=settings)
    weigher = Weigher(registry, prior.logp, settings, calibration)
    photos: list[list[PhotoEvidence]] = [[], []]
    pieces: list[Seen] = []
    for one in counted:
        reading = one.result.reading
        likelihoods = mark_likelihoods(reading, registry, settings=settings)
        for kept, chosen in zip(
            photos, (calibration, calibration.scored_with or calibration), strict=True
        ):
            ratios = ear_ratios(
                likelihoods,
                reading,
                registry,
                ear=one.ear,
                prior=prior.logp,
                settings=settings,
                calibration=chosen,
            )
            kept.append(
                PhotoEvidence(
                    ratios.either,
                    one.ear,
                    one.stage,
                    straight=ratios.straight,
                    swapped=ratios.swapped,
                )
            )
        pieces.append(
            weigher.photo(
                one.index,
                reading,
                likelihoods,
                ear=one.ear,
                text=best_text(reading, settings),
                number=one.number,
                was_read=bool(one.result.identification.candidates),
                stated=photos[0][-1].log_ratio,
            )
        )
    first_ear = next((ear for ear in ears if ear), "")
    no_photo, with_photo = (
        eyes(
            given.readings,
            registry,
            ear=first_ear,
            prior=prior.logp,
            settings=settings,
            beside_a_photo=beside,
        )
        for beside in (False, True)
    )
    said = [
        weigher.witness(one, ear=ears[one.photo] if one.photo >= 0 else first_ear)
        for one in (*map(eye_witness, given.readings), *witnesses)
    ]
    return Evidence(
        counted=tuple(counted),
        photos=tuple(photos[0]),
        ranking=tuple(photos[1]),
        pieces=tuple(pieces),
        beside=tuple(one for one in said if one is not None),
        eyes=(no_photo, with_photo),
        weigher=weigher,
        prior=prior,
        known=known,
        ear=ears[0] if len(set(ears)) == 1 else "",
    )


def conclusion(
    evidence: Evidence, end: int, *, failed: Decision, tempering: Tempering, explained: str
) -> tuple[Identification, tuple[float, ...], str]:
    """What the photos before the ``end``-th say together.

    Parameters
    ----------
    end : int
    failed : Decision
        What is decided when nothing can be read.
    tempering : Tempering
    explained : str
        Animal that is asked about; empty for none.

    Returns
    -------
    (Identification, tuple of float, str)
        With the weights of the photos that count, and the mark as read.
    """
    weigher = evidence.weigher
    registry, settings, calibration = weigher.registry, weigher.settings, weigher.calibration
    counted = [one for one in evidence.counted if one.index < end]
    eyes = evidence.eyes[len(counted) > 0]
    if not counted and not eyes.readings:
        return _nothing(failed), (), ""

    def weighed_by(photos: Sequence[PhotoEvidence]) -> tuple[Combined, Combined]:
        some = list(photos[: len(counted)])
        return together(some, weigher.prior, eyes, tempering=tempering, settings=settings)

    by_all, by_photos = weighed_by(evidence.photos)
    best, text = None, ""
    if counted:
        best = counted[int(np.argmax(by_all.weights))].result.reading
        text = best_text(best, settings)
    if not evidence.known:
        found = _without_registry(by_all.probabilities, registry, settings, failed)
        return found, by_all.weights, text
    ranking = None
    if calibration.scored_with is not None:
        ranking = weighed_by(evidence.ranking)[0].probabilities
    weighed = Weighed(
        by_all.probabilities, ranking, evidence.prior, eyes, by_photos.probabilities, evidence.ear
    )
    identification = conclude(
        weighed,
        registry,
        text=text,
        settings=settings,
        calibration=calibration,
        failed=failed,
        exchange=confusables(best, registry) if best is not None else (),
        reading=best,
    )
    if explained:
        told = explain(
            explained,
            [
                CountedPhoto(one.index, one.result.reading, one.ear, weight)
                for one, weight in zip(counted, by_all.weights, strict=True)
            ],
            weighed,
            registry,
            text=text,
            settings=settings,
            calibration=calibration,
        )
        identification = replace(identification, explanation=(told,))
    return identification, by_all.weights, text


def _marks_registry(readings: Sequence[Reading], rules: Rules | None, exponent: float) -> Registry:
    """The marks the photos may show, each as if it were an animal."""
    marks: set[str] = set()
    for reading in readings:
        if rules is None:
            found = probable_marks(reading, count=MARKS_CONSIDERED, exponent=exponent)
        else:
            found = probable_allowed_marks(
                reading, rules, count=MARKS_CONSIDERED, exponent=exponent
            )
        marks.update(mark for mark, _ in found)
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


def _nothing(failed: Decision) -> Identification:
    return Identification((), (), failed, 1.0, (), "nothing on the photos can be read as a mark")
