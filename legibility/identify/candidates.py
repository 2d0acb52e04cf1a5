"""Posterior over the animals of a registry and "not registered"."""

from __future__ import annotations

import heapq

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Candidate, Reading
from legibility.identify.animals import Registry
from legibility.identify.calibration import FinalCalibration, posterior
from legibility.identify.certainty import reading_certainty
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.unregistered import unregistered_log_likelihood
from legibility.settings import Settings


def log_likelihoods(
    reading: Reading, registry: Registry, *, settings: Settings
) -> NDArray[np.float64]:
    """(n + 1,) log-likelihood of every animal and, last, of "not registered"."""
    animals = registry_log_likelihood(reading, registry.table, settings=settings)
    other = unregistered_log_likelihood(reading, registry.unregistered)
    return np.append(animals, other)


def animal_probabilities(
    reading: Reading,
    registry: Registry,
    *,
    settings: Settings,
    calibration: FinalCalibration,
) -> NDArray[np.float64]:
    """(n + 1,) calibrated probability of every animal and, last, of "not registered"."""
    values = log_likelihoods(reading, registry, settings=settings)
    return calibrated(values, reading, settings=settings, calibration=calibration)


def calibrated(
    values: NDArray[np.float64],
    reading: Reading,
    *,
    settings: Settings,
    calibration: FinalCalibration,
) -> NDArray[np.float64]:
    """(n + 1,) probabilities from the log-likelihoods of a reading."""
    return posterior(
        values,
        not_registered_prior=settings.not_registered_prior,
        calibration=calibration,
        logp_no_mark=reading.logp_no_mark,
        certainty=reading_certainty(reading),
    )


def best_candidates(
    probabilities: NDArray[np.float64], registry: Registry, *, count: int, text: str
) -> tuple[Candidate, ...]:
    """The ``count`` most probable, best first; equal ones in the order of their identifiers.

    Parameters
    ----------
    probabilities : ndarray of float64, (n + 1,)
    registry : Registry
    count : int
    text : str
        Mark as read, shown for "not registered".
    """
    take = min(count, probabilities.size)
    if take < 1:
        return ()
    least = np.partition(probabilities, probabilities.size - take)[probabilities.size - take]
    near = np.flatnonzero(probabilities >= least)
    made = (_candidate(int(index), probabilities, registry, text) for index in near)
    return tuple(
        heapq.nsmallest(
            count, made, key=lambda c: (-c.probability, c.animal_id is None, c.animal_id)
        )
    )


def _candidate(
    index: int, probabilities: NDArray[np.float64], registry: Registry, text: str
) -> Candidate:
    if index == len(registry):
        return Candidate(None, text, float(probabilities[index]))
    return Candidate(registry.animal_id(index), registry.mark(index), float(probabilities[index]))
