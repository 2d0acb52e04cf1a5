"""Records of many photos and herds end to end, so that one pass of arithmetic scores them all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.identify.calibration import (
    FinalCalibration,
    Numbers,
    numbers,
    share_of_chance,
)
from legibility.identify.herd_scores import HerdScores


@dataclass(frozen=True, slots=True)
class Flat:
    """Records end to end, for one pass of arithmetic."""

    own: NDArray[np.float64]
    """(r,) relative to the largest value of the record, as all that follow."""
    others: NDArray[np.float64]
    log_counts: NDArray[np.float64]
    starts: NDArray[np.int64]
    unregistered: tuple[NDArray[np.float64], NDArray[np.float64]]
    """Of "not registered", with the animal in the registry and with it left out."""
    animals: NDArray[np.int64]
    certainty: NDArray[np.float64]
    no_mark: NDArray[np.float64]
    weights: NDArray[np.float64]
    """(r, 2)"""
    group: NDArray[np.int64]
    prior: float

    @property
    def photos(self) -> int:
        """Different photos."""
        return int(self.group.max()) + 1

    @property
    def records(self) -> int:
        """Pairs of a photo and a herd."""
        return int(self.own.size)

    @classmethod
    def of(cls, records: Sequence[HerdScores], prior: float) -> Flat:
        """Records of any sizes; a herd without others gets one of no count."""
        tops = np.array([_top(record) for record in records])
        others = [r.others if r.others.size else np.array([r.unregistered]) for r in records]
        counts = [r.counts if r.others.size else np.array([0]) for r in records]
        lengths = np.array([values.size for values in others], dtype=np.int64)
        _, group = np.unique([record.photo for record in records], return_inverse=True)
        with np.errstate(divide="ignore"):
            log_counts = np.log(np.concatenate(counts).astype(np.float64))
        flat = np.concatenate([o - t for o, t in zip(others, tops, strict=True)])
        return cls(
            own=_finite(np.array([r.own for r in records]) - tops),
            others=_finite(flat),
            log_counts=log_counts,
            starts=np.concatenate([[0], np.cumsum(lengths)[:-1]]).astype(np.int64),
            unregistered=(
                _finite(np.array([r.stranger(left_out=False) for r in records]) - tops),
                _finite(np.array([r.stranger(left_out=True) for r in records]) - tops),
            ),
            animals=np.array([r.animals for r in records], dtype=np.int64),
            certainty=np.array([r.certainty for r in records]),
            no_mark=np.exp([min(0.0, r.logp_no_mark) for r in records]),
            weights=np.array([r.weights for r in records], dtype=np.float64),
            group=group.astype(np.int64),
            prior=prior,
        )

    def by_photo(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """(photos,) mean over the records of each photo."""
        return np.asarray(np.bincount(self.group, values) / np.bincount(self.group))

    def log_truth(self, calibration: FinalCalibration) -> NDArray[np.float64]:
        """(r,) log-probability given to the truth, left-out case and registered case weighed."""
        return self.log_truth_and_slopes(calibration)[0]

    def log_truth_and_slopes(
        self, calibration: FinalCalibration
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The same, and its derivatives by exponent, floor and shift: (r,) and (3, r)."""
        chosen = numbers(calibration, self.animals, self.certainty)
        shape = self.own.shape
        exponent = np.broadcast_to(np.asarray(chosen.exponent, dtype=np.float64), shape)
        lengths = np.diff(np.append(self.starts, self.others.size))
        scores = np.repeat(exponent, lengths) * self.others
        top = np.maximum(np.maximum.reduceat(scores, self.starts), -700.0)
        mass = np.exp(scores + self.log_counts - np.repeat(top, lengths))
        sums = np.add.reduceat(mass, self.starts)
        with np.errstate(divide="ignore", invalid="ignore"):
            log_others = top + np.log(sums)
            means = np.add.reduceat(mass * self.others, self.starts) / sums
        others = (log_others, np.nan_to_num(means))
        value, slopes = np.zeros(shape), np.zeros((3, *shape))
        for case, animals in ((0, self.animals), (1, self.animals - 1)):
            if np.any(self.weights[:, case] > 0):
                log_p, by = self._case(chosen, exponent, others, animals, registered=case == 0)
                weight = self.weights[:, case]
                value += np.where(weight > 0, weight * log_p, 0.0)
                slopes += np.where(weight > 0, weight * by, 0.0)
        total = self.weights.sum(axis=1)
        return np.asarray(value / total), np.asarray(slopes / total)

    def _case(
        self,
        chosen: Numbers,
        exponent: NDArray[np.float64],
        others: tuple[NDArray[np.float64], NDArray[np.float64]],
        animals: NDArray[np.int64],
        *,
        registered: bool,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        each = math.log1p(-self.prior) - np.log(np.maximum(animals, 1))
        log_other_prior = np.where(animals > 0, math.log(self.prior), 0.0)
        own = exponent * self.own + each if registered else np.full(self.own.shape, -np.inf)
        unregistered = self.unregistered[0 if registered else 1]
        other = exponent * unregistered + chosen.shift
        total = np.logaddexp(others[0] + each, other + log_other_prior)
        total = np.logaddexp(total, own)
        q_other = np.exp(other + log_other_prior - total)
        mean = (
            np.exp(others[0] + each - total) * others[1]
            + np.exp(own - total) * self.own
            + q_other * unregistered
        )
        ratio = total - other
        share = share_of_chance(self.no_mark, np.maximum(ratio, 0.0))
        nothing = chosen.floor + (1.0 - chosen.floor) * share
        truth, value, prior = (
            (own, self.own, each)
            if registered
            else (other + log_other_prior, unregistered, log_other_prior)
        )
        informed, alone = np.exp(truth - total), np.exp(prior)
        p = np.maximum((1.0 - nothing) * informed + nothing * alone, 1e-300)
        by_ratio = np.where(ratio > 0, -(1.0 - chosen.floor) * share * (1.0 - share), 0.0)
        change = alone - informed
        by_exponent = (1.0 - nothing) * informed * (value - mean)
        by_exponent += change * by_ratio * (mean - unregistered)
        by_shift = (1.0 - nothing) * informed * ((0.0 if registered else 1.0) - q_other)
        by_shift += change * by_ratio * (q_other - 1.0)
        return np.log(p), np.stack([by_exponent, change * (1.0 - share), by_shift]) / p


def _top(record: HerdScores) -> float:
    top = max(record.own, record.unregistered, float(np.max(record.others, initial=-math.inf)))
    return top if math.isfinite(top) else 0.0


def _finite(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.nan_to_num(values, nan=0.0, neginf=-1e6)
