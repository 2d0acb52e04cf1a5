"""Posterior over the animals of a registry and "not registered"."""

from __future__ import annotations

import heapq

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Candidate, Reading
from legibility.identify.animals import Registry
from legibility.identify.calibration import FinalCalibration, posterior
from legibility.identify.certainty import reading_certainty
from legibility.identify.ears import mark_likelihoods
from legibility.settings import Settings


def log_likelihoods(
    reading: Reading, registry: Registry, *, settings: Settings
) -> NDArray[np.float64]:
    """(n + 1,) log-likelihood of every animal and, last, of "not registered".

    Of an ear that is not known; see :mod:`legibility.identify.ears` for one that is.
    """
    return mark_likelihoods(reading, registry, settings=settings).of_ear(registry, "")


def animal_probabilities(
    reading: Reading,
    registry: Registry,
    *,
    settings: Settings,
    calibration: FinalCalibration,
) -> NDArray[np.float64]:
    """(n + 1,) calibrated probability of every animal and, last, of "not registered"."""
    values = log_likelihoods(reading, registry, settings=settings)
    return posterior(
        values,
        not_registered_prior=settings.not_registered_prior,
        calibration=calibration,
        logp_no_mark=reading.logp_no_mark,
        certainty=reading_certainty(reading),
    )


def best_candidates(
    probabilities: NDArray[np.float64],
    registry: Registry,
    *,
    count: int,
    text: str,
    prior: NDArray[np.float64],
    ear: str = "",
    outcomes: NDArray[np.int64] | None = None,
) -> tuple[Candidate, ...]:
    """The ``count`` most probable, best first; equal ones in the order of their identifiers.

    Parameters
    ----------
    probabilities : ndarray of float64, (n + 1,)
    registry : Registry
    count : int
    text : str
        Mark as read, shown for "not registered".
    prior : ndarray of float64, (n + 1,)
        Log-probabilities beforehand.
    ear : str
        The ear that was looked at, "" for not known.
    outcomes : ndarray of int64, (n,), optional
        Registered animals that the entries are; all of them by default.
    """
    take = min(count, probabilities.size)
    if take < 1:
        return ()
    least = np.partition(probabilities, probabilities.size - take)[probabilities.size - take]
    near = np.flatnonzero(probabilities >= least)
    made = (
        candidate(int(index), probabilities, registry, text, prior, ear, outcomes) for index in near
    )
    return tuple(
        heapq.nsmallest(
            count, made, key=lambda c: (-c.probability, c.animal_id is None, c.animal_id)
        )
    )


def candidate(
    index: int,
    probabilities: NDArray[np.float64],
    registry: Registry,
    text: str,
    prior: NDArray[np.float64],
    ear: str,
    outcomes: NDArray[np.int64] | None = None,
) -> Candidate:
    """One of the outcomes."""
    chance, before = float(probabilities[index]), float(np.exp(prior[index]))
    if index == probabilities.size - 1:
        return Candidate(None, text, chance, before)
    animal = index if outcomes is None else int(outcomes[index])
    return Candidate(registry.animal_id(animal), registry.shown_mark(animal, ear), chance, before)
