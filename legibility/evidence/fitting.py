"""Weights that turn readers' log-likelihood differences into calibrated log ratios.

A dispute between two marks is symmetric: exchanging the claims changes the sign. So the log ratio
is a weighted sum of the readers' differences without a constant, fitted by logistic regression on
disputes whose truth is known (Brümmer & du Preez 2006, doi:10.1016/j.csl.2005.08.001: such a fit
minimises Cllr). A dispute of a claim with "neither" is not symmetric and has a constant too.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

RIDGE: Final = 0.02
"""Choice: pull of the weights towards zero, i.e. towards saying nothing, in disputes; keeps them
finite where all disputes are decided rightly."""
STEPS: Final = 40
"""Newton steps; eight are enough from zero as a rule."""
OVERLAPS: Final = np.linspace(0.0, 1.0, 41)
"""Choice: shares of common evidence of two photos of one ear that are tried."""


def fit_weights(
    differences: NDArray[np.float64], counts: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Non-negative weights of the readers that make the truth of disputes most probable.

    Parameters
    ----------
    differences : (n, readers)
        Log-likelihood of the true claim less that of the other one.
    counts : (n,) or (b, n), optional
        How often each dispute counts; of several rows, each is a fit of its own.

    Returns
    -------
    (readers,) or (b, readers)
    """
    n, readers = differences.shape
    weights = np.ones((1, n)) if counts is None else np.atleast_2d(counts).astype(np.float64)
    free = np.ones((len(weights), readers), dtype=np.bool_)
    for _ in range(readers):
        found = _newton(differences, np.zeros(len(weights)), weights, free, signed=np.ones(n))
        negative = (found < 0) & free
        if not negative.any():
            break
        # The most negative weight of each fit is held at zero and the others fitted again.
        worst = np.argmin(np.where(free, found, np.inf), axis=1)
        hit = negative.any(axis=1)
        free[np.flatnonzero(hit), worst[hit]] = False
    found = np.maximum(found, 0.0)
    return found[0] if counts is None or np.ndim(counts) == 1 else found


def fit_with_constant(
    true_claims: NDArray[np.float64],
    false_claims: NDArray[np.float64],
    counts: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Weights of the readers and, last, a constant, for claims against "neither".

    Both kinds together weigh the same, so that what is fitted is a ratio and no prior.

    Parameters
    ----------
    true_claims, false_claims : (n, readers), (m, readers)
        Log-likelihood of a claim less that of "neither".
    counts : (b, n + m), optional
        As in :func:`fit_weights`, true claims first.

    Returns
    -------
    (readers + 1,) or (b, readers + 1)
    """
    n, m = len(true_claims), len(false_claims)
    sign = np.concatenate([np.ones(n), -np.ones(m)])
    features = np.column_stack([np.concatenate([true_claims, false_claims]), np.ones(n + m)])
    weights = np.ones((1, n + m)) if counts is None else np.atleast_2d(counts).astype(np.float64)
    weights = weights.copy()
    for part in (slice(0, n), slice(n, n + m)):
        total = np.maximum(weights[:, part].sum(axis=1, keepdims=True), 1e-9)
        weights[:, part] *= (n + m) / 2 / total
    free = np.ones((len(weights), features.shape[1]), dtype=np.bool_)
    found = _newton(features, np.zeros(len(weights)), weights, free, signed=sign)
    for column in range(features.shape[1] - 1):
        free[:, column] &= found[:, column] >= 0
    found = _newton(features, np.zeros(len(weights)), weights, free, signed=sign)
    found[:, :-1] = np.maximum(found[:, :-1], 0.0)
    return found[0] if counts is None else found


def overlap_factor(photos: int, overlap: float) -> float:
    """What is left of the sum of ``photos`` log ratios when they share part of their evidence.

    ``1 / (1 + (photos - 1) overlap)``: the design effect of cluster sampling, Kish 1965, Survey
    Sampling. 0 adds photos up as if independent, 1 takes their mean.
    """
    return 1.0 / (1.0 + max(0, photos - 1) * overlap)


def fit_overlap(pairs: NDArray[np.float64]) -> float:
    """Overlap of two photos of one ear that gives the smallest Cllr of their joint ratio.

    Parameters
    ----------
    pairs : (n, 2)
        Calibrated log ratios of two photos of the same ear for the true claim.
    """
    total = pairs.sum(axis=1)
    costs = [np.logaddexp(0.0, -total * overlap_factor(2, r)).mean() for r in OVERLAPS]
    return float(OVERLAPS[int(np.argmin(costs))])


def _newton(
    features: NDArray[np.float64],
    start: NDArray[np.float64],
    weights: NDArray[np.float64],
    free: NDArray[np.bool_],
    *,
    signed: NDArray[np.float64],
) -> NDArray[np.float64]:
    """(b, k) minima of ``sum w log(1 + exp(-s x.v)) + ridge |v|^2 / 2``, some entries held at 0."""
    size = features.shape[1]
    values = np.zeros((len(start), size))
    x = features * signed[:, None]
    for _ in range(STEPS):
        margin = np.clip(values @ x.T, -500.0, 500.0)
        miss = 1.0 / (1.0 + np.exp(margin))
        gradient = -(weights * miss) @ x + RIDGE * values
        curvature = weights * miss * (1.0 - miss)
        hessian = np.einsum("bn,ni,nj->bij", curvature, x, x) + RIDGE * np.eye(size)
        gradient = np.where(free, gradient, 0.0)
        pair = free[:, :, None] & free[:, None, :]
        hessian = np.where(pair, hessian, 0.0) + np.eye(size) * ~free[:, None, :]
        step = np.linalg.solve(hessian, gradient[..., None])[..., 0]
        # A step is kept short, since far from the minimum the curvature vanishes.
        length = np.linalg.norm(step, axis=1, keepdims=True)
        step = step * np.minimum(1.0, 1.0 / np.maximum(length, 1e-12))
        values = np.where(free, values - step, 0.0)
        if float(np.abs(step).max(initial=0.0)) < 1e-10:
            break
    return values
