"""Probabilities that mean what they say: temperature and doubt by the condition of a cell.

A reader trained on rendered pictures is too sure, and more so the poorer the cell. Its log-scores
are divided by a temperature and mixed with the uniform distribution (doubt); both depend on a
scalar condition of the cell, e.g. :attr:`NeedleScores.condition`, through a few knots with linear
interpolation of their logarithms, fitted by maximum likelihood.

Guo et al. 2017, "On calibration of modern neural networks", PMLR 70:1321-1330 (temperature). The
mixture with the uniform distribution is ours: it keeps every character possible.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CLASSES
from legibility.containers import LogLikelihood
from legibility.probability import LOG_FLOOR, normalise_log

LEAST_DOUBT: Final = 1e-4
"""Choice: smallest share of the uniform distribution; no character ever falls below 2.7e-6."""

MOST_DOUBT: Final = 0.9
LOG_TEMPERATURE_RANGE: Final = (-1.5, 3.0)
"""Choice: bounds of the fit; a reader outside them needs mending, not calibrating."""

CELLS_PER_KNOT: Final = 150
"""Choice: fewest held-out cells for each knot of the condition."""

MOST_KNOTS: Final = 6

SMOOTHNESS: Final = 1e-3
"""Choice: penalty on squared differences of neighbouring knots, in nats a cell."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Temperature and doubt at a few conditions."""

    conditions: tuple[float, ...]
    """Knots, strictly increasing."""
    temperatures: tuple[float, ...]
    """At each knot, > 0; above one makes the reader less sure."""
    doubts: tuple[float, ...]
    """At each knot, share of the uniform distribution, LEAST_DOUBT..1."""

    def __post_init__(self) -> None:
        n = len(self.conditions)
        if n == 0 or len(self.temperatures) != n or len(self.doubts) != n:
            raise ValueError(
                f"calibration has {n} conditions, {len(self.temperatures)} temperatures and "
                f"{len(self.doubts)} doubts; expected as many of each, at least one"
            )
        values = np.array([self.conditions, self.temperatures, self.doubts])
        if not np.all(np.isfinite(values)):
            raise ValueError("calibration holds a value that is not finite")
        if np.any(np.diff(self.conditions) <= 0):
            raise ValueError(f"conditions {self.conditions} do not increase")
        if min(self.temperatures) <= 0:
            raise ValueError(f"temperatures {self.temperatures}; expected positive numbers")
        if min(self.doubts) < LEAST_DOUBT * 0.999 or max(self.doubts) > 1:
            raise ValueError(f"doubts {self.doubts}; expected {LEAST_DOUBT} <= value <= 1")


NEUTRAL: Final = Calibration(conditions=(0.0,), temperatures=(1.0,), doubts=(LEAST_DOUBT,))
"""Passes a reader on, but for the least doubt."""


def apply(
    calibration: Calibration, logp: LogLikelihood, condition: NDArray[np.float64]
) -> LogLikelihood:
    """Calibrated log-probabilities.

    Parameters
    ----------
    calibration : Calibration
    logp : ndarray, shape (n, 37), float64
        Log-scores of the pool; ``-inf`` allowed, but not for a whole cell.
    condition : ndarray, shape (n,), float64
        Outside the fitted range the nearest knot holds.

    Returns
    -------
    ndarray, shape (n, 37), float64
        Normalised and finite: each probability at least ``LEAST_DOUBT / 37``.

    Raises
    ------
    ValueError
        If shapes do not fit or a value is NaN.
    """
    scores = _checked(logp, condition)
    basis = _hat_basis(np.asarray(calibration.conditions), np.asarray(condition, np.float64))
    temperature = np.exp(basis @ np.log(calibration.temperatures))
    doubt = np.minimum(np.exp(basis @ np.log(calibration.doubts)), 1.0)
    sharp = np.exp(normalise_log(scores / temperature[:, None]))
    mixed = (1 - doubt[:, None]) * sharp + doubt[:, None] / N_CLASSES
    return normalise_log(np.log(mixed))


def fit_calibration(
    logp: LogLikelihood, truth: NDArray[np.int64], condition: NDArray[np.float64]
) -> Calibration:
    """Temperatures and doubts that make held-out truth most probable.

    Parameters
    ----------
    logp : ndarray, shape (n, 37), float64
    truth : ndarray of int, shape (n,)
        Class of each cell, 36 = no character.
    condition : ndarray, shape (n,), float64
        Knots are put at its quantiles, one for each ``CELLS_PER_KNOT`` cells, at most six.

    Raises
    ------
    ValueError
        If there is nothing to fit on, or shapes do not fit.
    """
    from scipy.optimize import minimize

    scores = _checked(logp, condition)
    labels = np.asarray(truth, dtype=np.int64)
    n = len(scores)
    if n == 0:
        raise ValueError("no cells to fit on; expected at least one")
    if labels.shape != (n,) or labels.min() < 0 or labels.max() >= N_CLASSES:
        raise ValueError(f"truth of shape {labels.shape} does not name classes 0..36 of {n} cells")
    where = np.asarray(condition, dtype=np.float64)
    n_knots = int(np.clip(n // CELLS_PER_KNOT, 1, MOST_KNOTS))
    knots = np.unique(np.quantile(where, (np.arange(n_knots) + 0.5) / n_knots))
    basis = _hat_basis(knots, where)
    k = len(knots)
    rows = np.arange(n)

    def loss(theta: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        inverse = np.exp(-(basis @ theta[:k]))
        doubt = np.exp(basis @ theta[k:])
        share = np.exp(scores * inverse[:, None])
        share /= share.sum(axis=1, keepdims=True)
        hit = share[rows, labels]
        p = (1 - doubt) * hit + doubt / N_CLASSES
        # d p / d log T = -(1 - doubt) hit (z_y - E z) / T ; d p / d log doubt.
        excess = scores[rows, labels] - (share * scores).sum(axis=1)
        d_temperature = (1 - doubt) * hit * excess * inverse / p
        d_doubt = -doubt * (1.0 / N_CLASSES - hit) / p
        rough_t, rough_d = np.diff(theta[:k]), np.diff(theta[k:])
        value = -np.mean(np.log(p)) + SMOOTHNESS * (rough_t @ rough_t + rough_d @ rough_d)
        gradient = np.concatenate([basis.T @ d_temperature, basis.T @ d_doubt]) / n
        gradient[:k] += 2 * SMOOTHNESS * _spread_back(rough_t, k)
        gradient[k:] += 2 * SMOOTHNESS * _spread_back(rough_d, k)
        return float(value), gradient

    start = np.concatenate([np.zeros(k), np.full(k, np.log(1e-2))])
    bounds = [LOG_TEMPERATURE_RANGE] * k + [(np.log(LEAST_DOUBT), np.log(MOST_DOUBT))] * k
    result = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds)
    return Calibration(
        conditions=tuple(float(knot) for knot in knots),
        temperatures=tuple(float(value) for value in np.exp(result.x[:k])),
        doubts=tuple(float(value) for value in np.maximum(np.exp(result.x[k:]), LEAST_DOUBT)),
    )


def _hat_basis(knots: NDArray[np.float64], where: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weights of linear interpolation, (n, n_knots), each row summing to one."""
    if len(knots) == 1:
        return np.ones((len(where), 1))
    columns = [np.interp(where, knots, unit) for unit in np.eye(len(knots))]
    return np.stack(columns, axis=1)


def _spread_back(differences: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    """Transpose of ``np.diff``."""
    result = np.zeros(length)
    result[1:] += differences
    result[:-1] -= differences
    return result


def _checked(logp: LogLikelihood, condition: NDArray[np.float64]) -> NDArray[np.float64]:
    scores = np.asarray(logp, dtype=np.float64)
    where = np.asarray(condition, dtype=np.float64)
    if scores.ndim != 2 or scores.shape[1] != N_CLASSES or where.shape != scores.shape[:1]:
        raise ValueError(
            f"scores are {scores.shape} and conditions {where.shape}; "
            f"expected (n, {N_CLASSES}) and (n,)"
        )
    if not np.all(np.isfinite(where)):
        raise ValueError("a condition is not a finite number")
    if np.any(np.isnan(scores)) or np.any(np.isposinf(scores)):
        raise ValueError("a score is not a number")
    if not len(scores):
        return scores
    top = scores.max(axis=1, keepdims=True)
    if not np.all(np.isfinite(top)):
        raise ValueError("a cell has no possible class")
    return np.asarray(np.maximum(scores - top, LOG_FLOOR), dtype=np.float64)
