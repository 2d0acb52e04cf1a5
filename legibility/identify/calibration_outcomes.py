"""What a calibration says of photos whose animal is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.identify.calibration import FinalCalibration, numbers, share_of_chance
from legibility.identify.conformal import SetLimits
from legibility.identify.herd_scores import HerdScores


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a calibration says of one record, with the animal registered or left out."""

    photo: str
    condition: str
    animals: int
    registered: bool
    weight: float
    truth: float
    """Probability of the truth."""
    first: float
    """Probability of the first candidate."""
    right: bool
    """Whether the first candidate is the truth."""
    score: float
    """Conformal score of the truth."""


def outcomes(
    records: Sequence[HerdScores], calibration: FinalCalibration, *, not_registered_prior: float
) -> list[Outcome]:
    """What a calibration says of each record; those of no weight are left out."""
    found = []
    for record in records:
        for registered in (True, False):
            if record.weights[0 if registered else 1] > 0:
                found.append(
                    _outcome(record, calibration, not_registered_prior, registered=registered)
                )
    return found


@dataclass(frozen=True, slots=True)
class Spread:
    """Probabilities of all outcomes of one record, those alike together."""

    probabilities: NDArray[np.float64]
    """(m,): the photo's animal, the others, "not registered"."""
    counts: NDArray[np.int64]
    """(m,); 0 for the photo's animal where it is left out."""
    truth: int


def spread(
    record: HerdScores,
    calibration: FinalCalibration,
    *,
    not_registered_prior: float,
    left_out: bool,
) -> Spread:
    """Probabilities of one record, as :func:`legibility.identify.calibration.posterior` gives them.

    Parameters
    ----------
    left_out : bool
        Whether the photo's animal is left out of the registry.
    """
    prior = not_registered_prior
    animals = record.animals - (1 if left_out else 0)
    chosen = numbers(calibration, animals, record.certainty)
    each = (math.log1p(-prior) - math.log(animals)) if animals else -math.inf
    values = np.concatenate([[record.own], record.others, [record.stranger(left_out=left_out)]])
    counts = np.concatenate([[0 if left_out else 1], record.counts, [1]]).astype(np.int64)
    top = float(np.max(values[counts > 0]))
    if not math.isfinite(top):
        values, top = np.zeros(values.size), 0.0
    score = chosen.exponent * (values - top)
    score[-1] += chosen.shift
    log_prior = np.full(values.size, each)
    log_prior[-1] = math.log(prior) if animals else 0.0
    with np.errstate(divide="ignore"):
        weighted = score + log_prior
        total = float(np.logaddexp.reduce(weighted + np.log(counts)))
    no_mark = math.exp(min(0.0, record.logp_no_mark))
    nothing = share_of_chance(no_mark, max(0.0, total - float(score[-1])))
    nothing = chosen.floor + (1.0 - chosen.floor) * nothing
    p = (1.0 - nothing) * np.exp(weighted - total) + nothing * np.exp(log_prior)
    return Spread(np.where(counts > 0, p, 0.0), counts, truth=values.size - 1 if left_out else 0)


def set_size(found: Spread, limits: SetLimits) -> int:
    """How many outcomes a candidate set with these limits holds; at least one."""
    p, counts = found.probabilities, found.counts
    order = np.argsort(-p, kind="stable")
    mass = np.concatenate([[0.0], np.cumsum((p * counts)[order])[:-1]])
    begins = np.concatenate([[True], p[order][1:] < p[order][:-1]])
    mass = mass[np.maximum.accumulate(np.where(begins, np.arange(order.size), 0))]
    limit = np.where(order == p.size - 1, limits.unregistered, limits.registered)
    return max(1, int(counts[order][mass <= limit + 1e-9].sum()))


def _outcome(
    record: HerdScores, calibration: FinalCalibration, prior: float, *, registered: bool
) -> Outcome:
    found = spread(record, calibration, not_registered_prior=prior, left_out=not registered)
    p, counts, truth = found.probabilities, found.counts, found.truth
    first = int(np.argmax(p))
    return Outcome(
        photo=record.photo,
        condition=record.condition,
        animals=record.animals,
        registered=registered,
        weight=record.weights[0 if registered else 1],
        truth=float(p[truth]),
        first=float(p[first]),
        right=bool(first == truth and counts[first] == 1),
        score=min(1.0, float(np.sum((counts * p)[p > p[truth]]))),
    )
