"""Weights that turn readers' log-likelihood differences into calibrated log ratios.

A dispute between two marks is symmetric: exchanging the claims changes the sign. So the log ratio
is a weighted sum of the readers' differences without a constant, fitted by logistic regression on
disputes whose truth is known (Brümmer & du Preez 2006, doi:10.1016/j.csl.2005.08.001: such a fit
minimises Cllr). A dispute of a claim with "neither" is not symmetric and has a constant too; it
counts as far as a photo says anything, so that one that says nothing keeps a ratio of 1.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

RIDGE: Final = 0.02
"""Choice: pull of the weights towards zero, i.e. towards saying nothing, in disputes; keeps them
finite where all disputes are decided rightly."""
STEPS: Final = 40
"""Newton steps; eight are enough as a rule."""
REPEATS_TRIED: Final = np.linspace(0.0, 1.0, 41)
"""Choice: weights of a second photo of one ear that are tried."""


def fit_weights(
    differences: NDArray[np.float64], counts: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Non-negative weights of the readers that make the truth of disputes most probable.

    The readers look at the same dots, so together they count no more than one of them says: the
    weights sum to 1 at most. Disputes that are nearly all decided rightly fit ever larger weights
    ever better, and those overstate what other photos show.

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
    weights = np.atleast_2d(np.ones(len(differences)) if counts is None else counts)
    found = _not_negative(differences, weights.astype(np.float64), whole=False)
    over = found.sum(axis=1) > 1.0
    if over.any():
        found[over] = _not_negative(differences, weights[over].astype(np.float64), whole=True)
    return found[0] if counts is None or np.ndim(counts) == 1 else found


def _not_negative(
    x: NDArray[np.float64], weights: NDArray[np.float64], *, whole: bool
) -> NDArray[np.float64]:
    """(b, readers) fits without negative weights; they sum to 1 where they are a ``whole``."""
    readers = x.shape[1]
    free = np.ones((len(weights), readers), dtype=np.bool_)
    for _ in range(readers):
        found = _newton(x, weights, free, whole=whole)
        negative = (found < 0) & free
        if not negative.any():
            break
        # The most negative weight of each fit is held at zero and the others fitted again.
        worst = np.argmin(np.where(free, found, np.inf), axis=1)
        hit = negative.any(axis=1)
        free[np.flatnonzero(hit), worst[hit]] = False
    return np.maximum(found, 0.0)


def fit_with_constant(
    true_claims: NDArray[np.float64],
    false_claims: NDArray[np.float64],
    *,
    said: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None,
) -> NDArray[np.float64]:
    """Weights of the readers and, last, a constant, for claims against "neither".

    Both kinds together weigh the same, so that what is fitted is a ratio and no prior. Claims at
    random are refuted by almost any photo, so that larger weights always fit better; here, too,
    they sum to 1 at most.

    Parameters
    ----------
    true_claims, false_claims : (n, readers), (m, readers)
        Log-likelihood of a claim less that of "neither".
    said : (n,) and (m,), optional
        How far each photo tells marks apart, 0..1; the constant is multiplied by it. 1 for all
        without it.

    Returns
    -------
    (readers + 1,)
    """
    from scipy.optimize import minimize

    n, m = len(true_claims), len(false_claims)
    sign = np.concatenate([np.ones(n), -np.ones(m)])
    share = np.concatenate([np.full(n, 0.5 / n), np.full(m, 0.5 / m)]) * (n + m)
    shown = np.ones(n + m) if said is None else np.concatenate(said)
    features = np.column_stack([np.concatenate([true_claims, false_claims]), shown])
    x = features * sign[:, None]

    def loss(values: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        margin = x @ values
        miss = np.exp(-np.logaddexp(0.0, margin))
        cost = share @ np.logaddexp(0.0, -margin) + RIDGE * values @ values / 2
        return float(cost), -(share * miss) @ x + RIDGE * values

    weighed = np.append(np.ones(features.shape[1] - 1), 0.0)
    found = minimize(
        loss,
        np.zeros(features.shape[1]),
        jac=True,
        method="SLSQP",
        bounds=[(0.0, 1.0)] * (features.shape[1] - 1) + [(None, None)],
        constraints=[
            {"type": "ineq", "fun": lambda v: 1.0 - weighed @ v, "jac": lambda v: -weighed}
        ],
        options={"ftol": 1e-12, "maxiter": 500},
    )
    return np.asarray(found.x, dtype=np.float64)


def rank_weights(log_ratios: NDArray[np.float64], repeat: float) -> NDArray[np.float64]:
    """How much each photo of one ear counts: the one that says most in full, the next less.

    The k-th strongest counts ``repeat**k``. 1 adds photos up as if independent, 0 keeps the
    strongest alone; a photo that says nothing takes nothing from the others.

    Parameters
    ----------
    log_ratios : (photos,)
    repeat : float, 0..1

    Examples
    --------
    >>> rank_weights(np.array([1.0, -3.0, 2.0]), 0.5).tolist()
    [0.25, 1.0, 0.5]
    """
    order = np.argsort(-np.abs(log_ratios), kind="stable")
    weights = np.empty(len(log_ratios))
    weights[order] = np.power(repeat, np.arange(len(log_ratios), dtype=np.float64))
    return weights


def fit_repeat(pairs: NDArray[np.float64]) -> float:
    """Weight of a second photo of one ear: the smallest whose cost is near the least.

    The cost is Cllr of the joint ratio; near is within one standard error of the difference
    (Breiman, Friedman, Olshen & Stone 1984, Classification and regression trees: the rule of one
    standard error), so that few pairs do not make photos count as independent.

    Parameters
    ----------
    pairs : (n, 2)
        Calibrated log ratios of two photos of the same ear for the true claim.
    """
    costs = []
    for repeat in REPEATS_TRIED:
        joint = [float(rank_weights(pair, float(repeat)) @ pair) for pair in pairs]
        costs.append(np.logaddexp(0.0, -np.array(joint)))
    means = np.array([cost.mean() for cost in costs])
    least = costs[int(np.argmin(means))]
    for repeat, cost in zip(REPEATS_TRIED, costs, strict=True):
        more = cost - least
        if more.mean() <= more.std() / np.sqrt(len(pairs)):
            return float(repeat)
    return float(REPEATS_TRIED[int(np.argmin(means))])


def _newton(
    x: NDArray[np.float64], weights: NDArray[np.float64], free: NDArray[np.bool_], *, whole: bool
) -> NDArray[np.float64]:
    """(b, k) minima of ``sum w log(1 + exp(-x.v)) + ridge |v|^2 / 2``, some entries held at 0.

    The entries sum to 1 when they are a ``whole`` (Lagrange's multiplier is the last unknown).
    """
    size = x.shape[1]
    values = free / free.sum(axis=1, keepdims=True) if whole else np.zeros((len(weights), size))
    border = np.zeros((len(weights), size + 1, size + 1))
    if whole:
        border[:, size, :size] = border[:, :size, size] = free
    else:
        border[:, size, size] = 1.0
    for _ in range(STEPS):
        margin = np.clip(values @ x.T, -500.0, 500.0)
        miss = 1.0 / (1.0 + np.exp(margin))
        gradient = -(weights * miss) @ x + RIDGE * values
        curvature = weights * miss * (1.0 - miss)
        hessian = np.einsum("bn,ni,nj->bij", curvature, x, x) + RIDGE * np.eye(size)
        gradient = np.where(free, gradient, 0.0)
        pair = free[:, :, None] & free[:, None, :]
        system = border.copy()
        system[:, :size, :size] = np.where(pair, hessian, 0.0) + np.eye(size) * ~free[:, None, :]
        sides = np.pad(gradient, ((0, 0), (0, 1)))
        step = np.linalg.solve(system, sides[..., None])[:, :size, 0]
        # A step is kept short, since far from the minimum the curvature vanishes.
        length = np.linalg.norm(step, axis=1, keepdims=True)
        step = step * np.minimum(1.0, 1.0 / np.maximum(length, 1e-12))
        values = np.where(free, values - step, 0.0)
        if float(np.abs(step).max(initial=0.0)) < 1e-10:
            break
    return values
