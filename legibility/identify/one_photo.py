"""What one photo, what was known beforehand and what people read say together."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Given, Reading
from legibility.identify.animals import Registry
from legibility.identify.by_eye import Eyes, eyes
from legibility.identify.calibration import FinalCalibration, log_prior, numbers, posterior
from legibility.identify.certainty import reading_certainty
from legibility.identify.conformal import set_limits
from legibility.identify.ears import ear_ratios, mark_likelihoods
from legibility.identify.known import AnimalPrior, animal_prior
from legibility.identify.rough import rough_likelihoods
from legibility.identify.sequence import Combined, PhotoEvidence, Tempering, combine
from legibility.identify.shortlist import (
    KEPT,
    KEPT_MORE,
    Shortlist,
    share_left_out,
    shortlist,
)
from legibility.identify.unregistered import registered_part, unregistered_log_likelihood
from legibility.settings import Settings


@dataclass(frozen=True, slots=True)
class Weighed:
    """Probabilities of a registry's animals, and what they rest on."""

    probabilities: NDArray[np.float64]
    """(n + 1,) last "not registered"."""
    ranking: NDArray[np.float64] | None
    """(n + 1,) by ``FinalCalibration.scored_with``; None where there is none."""
    prior: AnimalPrior
    eyes: Eyes
    alone: NDArray[np.float64]
    """(n + 1,) probabilities without people's readings."""
    ear: str
    outcomes: NDArray[np.int64] | None = None
    """(n,) animals of a shortlist; None: the registry's, one by one."""


def weigh(
    reading: Reading | None,
    registry: Registry,
    *,
    given: Given,
    settings: Settings,
    calibration: FinalCalibration,
) -> Weighed:
    """Probabilities by one photo.

    Parameters
    ----------
    reading : Reading or None
        None: the photo says nothing, or there is none.
    registry : Registry
        With at least one animal.
    given : Given
    settings : Settings
    calibration : FinalCalibration
    """
    one_spelling = registry.right is None and not settings.herd_prefix
    if reading is not None and given == Given() and one_spelling:
        short = _shortlisted(reading, registry, settings=settings, calibration=calibration)
        if short is not None:
            return short
    ear = given.known.ear
    prior = animal_prior(registry, given.known, settings=settings)
    seen = eyes(
        given.readings,
        registry,
        ear=ear,
        prior=prior.logp,
        settings=settings,
        beside_a_photo=reading is not None,
    )
    sums = []
    likelihoods = None
    if reading is not None:
        likelihoods = mark_likelihoods(reading, registry, settings=settings)
    for chosen in (calibration, calibration.scored_with):
        if chosen is None:
            continue
        photos = []
        if reading is not None and likelihoods is not None:
            ratios = ear_ratios(
                likelihoods,
                reading,
                registry,
                ear=ear,
                prior=prior.logp,
                settings=settings,
                calibration=chosen,
            )
            photos = [
                PhotoEvidence(ratios.either, ear, straight=ratios.straight, swapped=ratios.swapped)
            ]
        sums.append(together(photos, prior.logp, seen, tempering=Tempering(), settings=settings))
    return Weighed(
        probabilities=sums[0][0].probabilities,
        ranking=sums[1][0].probabilities if len(sums) > 1 else None,
        prior=prior,
        eyes=seen,
        alone=sums[0][1].probabilities,
        ear=ear,
    )


def _shortlisted(
    reading: Reading, registry: Registry, *, settings: Settings, calibration: FinalCalibration
) -> Weighed | None:
    """The same from the most likely animals of a large registry; None where that is not sure."""
    certainty = reading_certainty(reading)
    exponents = [
        float(numbers(chosen, len(registry), certainty).exponent)
        for chosen in (calibration, calibration.scored_with)
        if chosen is not None
    ]
    share = min(share_left_out(exponent, len(registry)) for exponent in exponents)
    layouts = registry.layouts
    rough = rough_likelihoods(
        reading, registry.table, settings=settings, share=share, layouts=layouts
    )
    if rough is None:
        return None
    for kept in (KEPT, KEPT_MORE):
        short = shortlist(
            rough, reading, registry.table, settings=settings, kept=kept, layouts=layouts
        )
        if short is None:
            return None
        found = _weighed(short, reading, registry, settings=settings, calibration=calibration)
        if found is not None:
            return found
    return None


def _weighed(
    short: Shortlist,
    reading: Reading,
    registry: Registry,
    *,
    settings: Settings,
    calibration: FinalCalibration,
) -> Weighed | None:
    """Probabilities by a shortlist; None where it is too short."""
    certainty = reading_certainty(reading)
    marks = registry.unregistered
    part = registered_part(
        reading,
        short.log_likelihood,
        marks,
        registry.table,
        settings=settings,
        animals=short.animals,
        log_rest=short.log_shared(marks.herd) if marks.herd is not None else -np.inf,
    )
    stranger = unregistered_log_likelihood(reading, marks, registered=part)
    values = np.append(short.log_likelihood, stranger)
    found: list[NDArray[np.float64]] = []
    for chosen in (calibration, calibration.scored_with):
        if chosen is None:
            continue
        exponent = float(numbers(chosen, len(registry), certainty).exponent)
        probabilities = posterior(
            values,
            not_registered_prior=settings.not_registered_prior,
            calibration=chosen,
            logp_no_mark=reading.logp_no_mark,
            certainty=certainty,
            others=short,
        )
        if not short.is_close(exponent) or not _is_enough(
            probabilities,
            short.log_likelihood > short.log_others,
            registered=len(registry),
            calibration=calibration,
            settings=settings,
        ):
            return None
        found.append(probabilities)
    even = log_prior(
        len(registry), not_registered=settings.not_registered_prior, entries=values.size
    )
    return Weighed(
        probabilities=found[0],
        ranking=found[1] if len(found) > 1 else None,
        prior=AnimalPrior(even),
        eyes=Eyes((), ()),
        alone=found[0],
        ear="",
        outcomes=short.animals,
    )


def _is_enough(
    probabilities: NDArray[np.float64],
    ahead: NDArray[np.bool_],
    *,
    registered: int,
    calibration: FinalCalibration,
    settings: Settings,
) -> bool:
    """Whether no animal that was left out can be listed, or be in the candidate set.

    ``ahead`` are the animals that are likelier than any that was left out.
    """
    animals = probabilities[:-1]
    last = float(animals[ahead].min(initial=1.0))
    if float(probabilities[-1]) <= last:
        return False
    if last >= float(np.sort(animals)[-min(settings.candidates_listed, animals.size)]) * 0.99:
        return False
    before = float(probabilities[probabilities > last].sum())
    limits = set_limits(calibration.sets, animals=registered, coverage=settings.candidate_coverage)
    by_scores = math.isfinite(limits.registered) and math.isfinite(limits.unregistered)
    limit = limits.registered if by_scores else settings.candidate_coverage
    return before > limit + 1e-6


def together(
    photos: list[PhotoEvidence],
    prior: NDArray[np.float64],
    seen: Eyes,
    *,
    tempering: Tempering,
    settings: Settings,
) -> tuple[Combined, Combined]:
    """Photos with people's readings, and photos alone."""
    p_wrong_ear = settings.p_wrong_ear
    alone = combine(photos, prior, tempering=tempering, p_wrong_ear=p_wrong_ear)
    if not seen.readings:
        return alone, alone
    added = seen.added()
    return combine(photos, prior, tempering=tempering, p_wrong_ear=p_wrong_ear, added=added), alone
