"""What a calibration says of photos whose animal is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from legibility.identify.calibration import FinalCalibration, numbers, share_of_chance
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


def _outcome(
    record: HerdScores, calibration: FinalCalibration, prior: float, *, registered: bool
) -> Outcome:
    animals = record.animals - (0 if registered else 1)
    chosen = numbers(calibration, animals, record.certainty)
    each = (math.log1p(-prior) - math.log(animals)) if animals else -math.inf
    values = np.concatenate([[record.own], record.others, [record.unregistered]])
    counts = np.concatenate([[1 if registered else 0], record.counts, [1]])
    top = float(np.max(values[counts > 0]))
    if not math.isfinite(top):
        values, top = np.zeros(values.size), 0.0
    with np.errstate(invalid="ignore"):
        score = chosen.exponent * (values - top)
    score[-1] += chosen.shift
    prior_each = np.full(values.size, each)
    prior_each[-1] = math.log(prior) if animals else 0.0
    with np.errstate(divide="ignore"):
        weighted = score + prior_each
        total = float(np.logaddexp.reduce(weighted + np.log(counts)))
    nothing = share_of_chance(
        math.exp(min(0.0, record.logp_no_mark)), max(0.0, total - float(score[-1]))
    )
    nothing = chosen.floor + (1.0 - chosen.floor) * nothing
    p = (1.0 - nothing) * np.exp(weighted - total) + nothing * np.exp(prior_each)
    truth = 0 if registered else values.size - 1
    first = int(np.argmax(np.where(counts > 0, p, -1.0)))
    return Outcome(
        photo=record.photo,
        condition=record.condition,
        animals=record.animals,
        registered=registered,
        weight=record.weights[0 if registered else 1],
        truth=float(p[truth]),
        first=float(p[first]),
        right=first == truth and (counts[first] == 1),
        score=min(1.0, float(np.sum((counts * p)[p > p[truth]]))),
    )
