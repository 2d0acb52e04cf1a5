"""What one photo, what was known beforehand and what people read say together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Given, Reading
from legibility.identify.animals import Registry
from legibility.identify.by_eye import Eyes, eyes
from legibility.identify.calibration import FinalCalibration
from legibility.identify.ears import ear_ratios, mark_likelihoods
from legibility.identify.known import AnimalPrior, animal_prior
from legibility.identify.sequence import Combined, PhotoEvidence, Tempering, combine
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
    added = (seen.added("straight"), seen.added("swapped"))
    return combine(photos, prior, tempering=tempering, p_wrong_ear=p_wrong_ear, added=added), alone
