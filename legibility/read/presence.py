"""Whether a place holds a character at all, judged beside the other places of its row.

A place between two clear characters that shows a little is likelier a worn character than one that
shows as much beyond the end of a faint row. The pool weighs each place alone; this regression on
its log-odds and the mean log-odds of the row's other places puts the two together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CLASSES, NO_CHARACTER
from legibility.containers import LogLikelihood

ODDS_BOUND: Final = 8.0
"""Choice: log-odds beyond which a place says no more about itself or its neighbours."""
RIDGE: Final = 1e-3
"""Choice: pull towards passing the pool on; keeps the weights finite on clean data."""


@dataclass(frozen=True, slots=True)
class PresenceModel:
    """Log-odds of "a character is here": ``bias + own * own odds + others * mean of the others``.

    A place alone in its row counts as its own neighbour.
    """

    bias: float = 0.0
    own: float = 1.0
    others: float = 0.0


def presence_odds(logp: LogLikelihood) -> NDArray[np.float64]:
    """(n, 2): each place's log-odds of holding a character, and the mean of its row's others."""
    values = np.asarray(logp, dtype=np.float64).reshape(-1, N_CLASSES)
    if not len(values):
        return np.zeros((0, 2))
    nothing = np.exp(values[:, NO_CHARACTER])
    some = np.exp(values[:, :NO_CHARACTER]).sum(axis=1)
    with np.errstate(divide="ignore"):
        own = np.clip(np.log(some) - np.log(nothing), -ODDS_BOUND, ODDS_BOUND)
    count = len(own)
    others = (own.sum() - own) / (count - 1) if count > 1 else own
    return np.stack([own, others], axis=1)


def weigh_presence(model: PresenceModel, logp: LogLikelihood) -> LogLikelihood:
    """Log-probabilities of a row's places with "no character" weighed anew.

    Parameters
    ----------
    logp : ndarray, shape (n, 37), float64
        Normalised; all places of one row.

    Returns
    -------
    ndarray, shape (n, 37), float64
        Normalised; the 36 characters keep their ratios.
    """
    values = np.asarray(logp, dtype=np.float64).reshape(-1, N_CLASSES)
    odds = presence_odds(values)
    logit = model.bias + odds @ np.array([model.own, model.others])
    characters = values[:, :NO_CHARACTER]
    total = np.logaddexp.reduce(characters, axis=1, keepdims=True) if len(values) else characters
    out = np.empty_like(values)
    out[:, :NO_CHARACTER] = characters - total - np.logaddexp(0.0, -logit)[:, None]
    out[:, NO_CHARACTER] = -np.logaddexp(0.0, logit)
    return out


def fit_presence(
    rows: Sequence[LogLikelihood], holds_character: Sequence[NDArray[np.bool_]]
) -> PresenceModel:
    """Weights that make held-out truth most probable.

    Parameters
    ----------
    rows : sequence of ndarray, each (n, 37)
        Places of each row, pooled and calibrated.
    holds_character : sequence of ndarray, each (n,) bool

    Raises
    ------
    ValueError
        If there are no places or shapes do not fit.
    """
    from scipy.optimize import minimize

    if [len(row) for row in rows] != [len(truth) for truth in holds_character]:
        raise ValueError("rows and their truth differ in length")
    if not sum(len(row) for row in rows):
        raise ValueError("no places to fit on; expected at least one")
    odds = np.concatenate([presence_odds(row) for row in rows])
    sign = np.where(np.concatenate(list(holds_character)), 1.0, -1.0)
    features = np.column_stack([np.ones(len(odds)), odds])
    start = np.array([0.0, 1.0, 0.0])

    def loss(weights: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        margin = sign * (features @ weights)
        pull = weights - start
        value = np.logaddexp(0.0, -margin).mean() + RIDGE * pull @ pull
        slope = -sign / (1.0 + np.exp(np.clip(margin, -50, 50)))
        return float(value), features.T @ slope / len(sign) + 2 * RIDGE * pull

    bias, own, others = minimize(loss, start, jac=True, method="BFGS").x
    return PresenceModel(float(bias), float(own), float(others))
