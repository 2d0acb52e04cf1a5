r"""Weibull times of loss from intervals, with classes of properties drawn towards the herd.

.. math:: S(t | x) = \exp(-(t / e^{\beta + \sum_c u_{c,x_c}})^k)

By maximum likelihood ``sum_i n_i log(S(l_i) - S(r_i))``. The effect ``u`` of a class is on the
logarithm of the time scale (accelerated failure time) and has a normal prior with mean 0, so that a
class with few marks stays near the herd and one with many goes where its data are. Its spread is
chosen for each property by the marginal likelihood (empirical Bayes, Laplace approximation:
Tierney & Kadane 1986, doi:10.1080/01621459.1986.10478240); a spread of 0, "the property does not
matter", is among the choices.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from legibility.herd.intervals import Floats, Spans

SPREADS: Final = (0.0, 0.1, 0.2, 0.4, 0.8)
"""Choice: standard deviations of a property's effects that are tried; 0.4 means that classes
differ in their time scale by half, more or less."""
LEAST_TIME: Final = 1e-9
_STEP: Final = 1e-5
_LOG_MOST: Final = 700.0


@dataclass(frozen=True, slots=True)
class Weibull:
    """A fitted curve; times in the unit of the data."""

    shape: float
    log_scale: float
    effects: tuple[Floats, ...]
    """For each property the effect of each class on the logarithm of the scale."""
    spreads: tuple[float, ...]
    """Standard deviation of each property's effects; 0: it is left out."""
    loglik: float
    """Without the prior of the effects."""
    evidence: float
    """Logarithm of the marginal likelihood, up to what all spreads have in common."""
    log_scale_error: float
    """Standard error from the curvature; NaN where there is none."""
    log_shape_error: float

    @property
    def scale(self) -> float:
        """Time by which 63 % are lost."""
        return math.exp(self.log_scale) if self.log_scale < _LOG_MOST else math.inf


def fit_weibull(
    data: Spans,
    *,
    shape: float | None = None,
    spreads: Sequence[float] | None = None,
    start: Weibull | None = None,
) -> Weibull:
    """Fit the curve to data with at least one loss.

    Parameters
    ----------
    data : Spans
    shape : float, optional
        Held at this value; fitted by default.
    spreads : sequence of float, optional
        Spread of each property, infinite for no prior at all; chosen by the data by default.
    start : Weibull, optional
        Where to begin.

    Raises
    ------
    ValueError
        If nothing was lost: then no finite scale is most likely.
    """
    if data.lost == 0:
        raise ValueError("no loss among the intervals; a Weibull curve cannot be fitted")
    if spreads is not None:
        return _fit(data, tuple(spreads), shape, start)
    best = _fit(data, (0.0,) * len(data.names), shape, start)
    for _ in range(2):
        before = best.spreads
        for place in range(len(data.names)):
            for spread in SPREADS:
                if spread == best.spreads[place]:
                    continue
                tried = (*best.spreads[:place], spread, *best.spreads[place + 1 :])
                found = _fit(data, tried, shape, best)
                if found.evidence > best.evidence + 1e-9:
                    best = found
        if best.spreads == before:
            break
    return best


@dataclass(frozen=True, slots=True)
class _Design:
    """Where the parameters are: intercept, logarithm of the shape unless held, then effects."""

    matrix: Floats
    """(n, 1 + effects)."""
    prior: Floats
    """(parameters,) precision of the prior; 0 for none."""
    log_shape: float | None
    slots: tuple[slice, ...]

    @property
    def size(self) -> int:
        return len(self.prior)


def _design(data: Spans, spreads: tuple[float, ...], shape: float | None) -> _Design:
    fitted = int(shape is None)
    columns = [np.ones(len(data))]
    prior = [0.0] * (1 + fitted)
    slots = []
    for place, spread in enumerate(spreads):
        count = len(data.levels[place]) if spread > 0 else 0
        precision = 0.0 if spread == 0 or math.isinf(spread) else 1 / spread**2
        slots.append(slice(len(prior), len(prior) + count))
        columns += [(data.classes[:, place] == level).astype(float) for level in range(count)]
        prior += [precision] * count
    log_shape = None if shape is None else math.log(shape)
    return _Design(np.stack(columns, axis=1), np.array(prior), log_shape, tuple(slots))


def _fit(
    data: Spans, spreads: tuple[float, ...], shape: float | None, start: Weibull | None
) -> Weibull:
    from scipy.optimize import minimize

    design = _design(data, spreads, shape)
    theta = np.zeros(design.size)
    if start is not None:
        theta[0] = start.log_scale
        if design.log_shape is None:
            theta[1] = math.log(start.shape)
        for slot, effects in zip(design.slots, start.effects, strict=True):
            if slot.stop - slot.start == len(effects):
                theta[slot] = effects
    else:
        theta[0] = math.log(max(data.exposure, LEAST_TIME * data.total) / data.lost)

    def negative(at: Floats) -> tuple[float, Floats]:
        value, slope = _loglik(at, data, design)
        penalty = 0.5 * float(design.prior @ at**2)
        return penalty - value, design.prior * at - slope

    found = minimize(negative, theta, jac=True, method="BFGS", options={"gtol": 1e-6})
    at = np.asarray(found.x, dtype=np.float64)
    value, _ = _loglik(at, data, design)
    curvature = np.empty((design.size, design.size))
    for column in range(design.size):
        shift = np.zeros(design.size)
        shift[column] = _STEP
        curvature[:, column] = (negative(at + shift)[1] - negative(at - shift)[1]) / (2 * _STEP)
    curvature = (curvature + curvature.T) / 2
    sign, logdet = np.linalg.slogdet(curvature)
    errors = np.full(2, math.nan)
    if sign > 0:
        variance = np.diag(np.linalg.inv(curvature))[:2]
        errors[: len(variance)] = np.sqrt(np.maximum(variance, 0.0))
    proper = design.prior > 0
    evidence = (
        value - 0.5 * float(design.prior @ at**2) + 0.5 * float(np.log(design.prior[proper]).sum())
    )
    # Effects without a prior have no marginal likelihood; their fits are never compared.
    evidence -= 0.5 * logdet if sign > 0 else math.inf
    free = design.log_shape is None
    return Weibull(
        shape=math.exp(at[1]) if free else math.exp(design.log_shape or 0.0),
        log_scale=float(at[0]),
        effects=tuple(at[slot].copy() for slot in design.slots),
        spreads=spreads,
        loglik=value,
        evidence=evidence,
        log_scale_error=float(errors[0]),
        log_shape_error=float(errors[1]) if free else math.nan,
    )


def _loglik(theta: Floats, data: Spans, design: _Design) -> tuple[float, Floats]:
    """Log-likelihood and its gradient."""
    free = design.log_shape is None
    log_shape = float(theta[1]) if design.log_shape is None else design.log_shape
    shape = math.exp(min(log_shape, 20.0))
    effects = theta[1 + free :]
    eta = design.matrix @ np.concatenate([theta[:1], effects])
    ends = []
    for time in (data.left, data.right):
        inside = (time > 0) & np.isfinite(time)
        exponent = np.where(inside, shape * (np.log(np.where(inside, time, 1.0)) - eta), 0.0)
        hazard = np.where(inside, np.exp(np.clip(exponent, -700.0, 600.0)), 0.0)
        ends.append((hazard, -shape * hazard, exponent * hazard))
    (low, low_eta, low_shape), (high, high_eta, high_shape) = ends
    seen = np.isfinite(data.right)
    gap = np.where(seen, np.maximum(high - low, 1e-300), 1.0)
    value = -low + np.where(seen, np.log(-np.expm1(-gap)), 0.0)
    weight = np.where(seen, 1.0 / np.expm1(np.minimum(gap, 700.0)), 0.0)
    by_eta = data.count * (-(1 + weight) * low_eta + weight * high_eta)
    slope = design.matrix.T @ by_eta
    if free:
        by_shape = float((data.count * (-(1 + weight) * low_shape + weight * high_shape)).sum())
        slope = np.concatenate([slope[:1], [by_shape], slope[1:]])
    return float((data.count * value).sum()), np.asarray(slope, dtype=np.float64)
