"""Which of an animal's marks a photo of one ear shows.

A photo of an ear shows the mark recorded for it or, with probability ``p_wrong_ear``, that of the
other ear (the sides were swapped when the marks were applied, written down, or now). What is in an
ear without a recorded mark is not known: there the photo says what it says of "not registered". Of
an animal with two different marks, a photo of an ear that was not named shows either with the same
probability. Both photos of a pair of ears share the one swap, so "straight" and "swapped" are kept
apart until photos are combined, see :mod:`legibility.identify.sequence`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Reading
from legibility.identify.animals import EARS, Registry
from legibility.identify.calibration import FinalCalibration, posterior
from legibility.identify.certainty import reading_certainty
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import MarkTable
from legibility.identify.sequence import log_ratio
from legibility.identify.unregistered import registered_part, unregistered_log_likelihood
from legibility.settings import Settings


@dataclass(frozen=True, slots=True)
class MarkLikelihoods:
    """Log-likelihoods of a photo for every recorded mark."""

    own: NDArray[np.float64]
    """(n,) of the registry's entries."""
    right: NDArray[np.float64]
    """(n,) of the right ear's mark where it differs; else that of ``own``."""
    unregistered: float

    def of_ear(self, registry: Registry, ear: str, *, swapped: bool = False) -> NDArray[np.float64]:
        """(n + 1,) log-likelihoods of the animals when this ear is looked at, and of "not
        registered"; with an ear that is not known, of either mark alike."""
        if not ear:
            values = self.own
            if registry.right is not None:
                values = np.logaddexp(self.own, self.right) - np.log(2.0)
            return np.append(values, self.unregistered)
        if swapped:
            ear = "right" if ear == "left" else "left"
        values = np.where(ear == "right", self.right, self.own)
        other = EARS.index("right" if ear == "left" else "left")
        no_mark_there = registry.ears() == other
        if registry.right is not None:
            no_mark_there[registry.right.animals] = False
        return np.append(np.where(no_mark_there, self.unregistered, values), self.unregistered)


@dataclass(frozen=True, slots=True)
class EarRatios:
    """(n + 1,) evidence of a photo: log of probability after over before."""

    either: NDArray[np.float64]
    """With the chance that the ears were taken for each other."""
    straight: NDArray[np.float64]
    swapped: NDArray[np.float64]


def mark_likelihoods(
    reading: Reading, registry: Registry, *, settings: Settings
) -> MarkLikelihoods:
    """Log-likelihoods of a reading for every recorded mark, in whatever ear."""
    layouts = registry.layouts

    def of(table: MarkTable) -> NDArray[np.float64]:
        return registry_log_likelihood(reading, table, settings=settings, layouts=layouts)

    table, marks = registry.all_marks, registry.unregistered
    said = of(registry.table)
    if registry.right is not None:
        said = np.append(said, of(registry.right.table))
    every = said
    prefix = settings.herd_prefix.upper()
    if prefix:
        spelled, differs = registry.spelled(prefix), settings.p_prefix_differs
        table, marks = spelled.every, spelled.unregistered
        other = of(spelled.table)
        every = np.append(said, other)
        with np.errstate(divide="ignore"):
            said = np.logaddexp(np.log1p(-differs) + said, np.log(differs) + other)
    part = registered_part(reading, every, marks, table, settings=settings)
    stranger = unregistered_log_likelihood(reading, marks, registered=part)
    own = said[: len(registry)]
    right = own.copy()
    if registry.right is not None:
        right[registry.right.animals] = said[len(registry) :]
    return MarkLikelihoods(own, right, stranger)


def ear_ratios(
    likelihoods: MarkLikelihoods,
    reading: Reading,
    registry: Registry,
    *,
    ear: str,
    prior: NDArray[np.float64],
    settings: Settings,
    calibration: FinalCalibration,
    certainty: float | None = None,
    cautious: bool = True,
) -> EarRatios:
    """Calibrated evidence of a photo of one ear.

    Parameters
    ----------
    likelihoods : MarkLikelihoods
    reading : Reading
        Where they are from.
    ear : str
        "left", "right", or "" for not known.
    prior : (n + 1,) float64
        Log-probabilities of the animals beforehand.
    settings : Settings
        ``p_wrong_ear`` is used.
    calibration : FinalCalibration
    certainty : float, optional
        In place of the reading's own.
    cautious : bool
        See :func:`legibility.identify.calibration.posterior`.
    """

    def ratio(swapped: bool) -> NDArray[np.float64]:
        chances = posterior(
            likelihoods.of_ear(registry, ear, swapped=swapped),
            not_registered_prior=settings.not_registered_prior,
            calibration=calibration,
            logp_no_mark=reading.logp_no_mark,
            certainty=reading_certainty(reading) if certainty is None else certainty,
            prior=prior,
            cautious=cautious,
        )
        return log_ratio(chances, prior)

    straight = ratio(False)
    if not ear or not (registry.ears() > 0).any():
        return EarRatios(straight, straight, straight)
    swapped = ratio(True)
    # Whichever ear it is, "not registered" says the same of the photo.
    swapped = swapped + (straight[-1] - swapped[-1])
    with np.errstate(divide="ignore"):
        wrong, right = np.log(settings.p_wrong_ear), np.log1p(-settings.p_wrong_ear)
    return EarRatios(np.logaddexp(right + straight, wrong + swapped), straight, swapped)
