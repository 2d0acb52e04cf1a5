"""The herd's own dies in the reading of its ears: the needle model with known patterns.

The shipped needle model has no say in the pool, since it knows no more than the network. With the
needles of the very dies that pressed the mark it knows what the network cannot. Its opinion is
weighed against the calibrated reading of each place,

``log p'(c) = a log p(c) + w l(c) + b [c is known] + const``

over the 36 characters; the probability that there is no character stays as it was. ``l`` is the
log-likelihood of the ink under the die, ``b`` makes up for dies whose needles are not known being
modelled less sharply. ``a``, ``w`` and ``b`` are fitted (multinomial logistic regression) on
simulated ears of held-out glyph sources: ``python -m legibility.evaluate.learned_dies --fit``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS, index_of
from legibility.containers import LogLikelihood
from legibility.networks import MODELS, model_from_json
from legibility.probability import LOG_FLOOR, log_sum_exp, normalise_log
from legibility.read.learned_dies import LearnedDies, unit_box
from legibility.read.needle_bank import with_known_needles
from legibility.read.needles import NeedleModel

DEFAULT_PATH: Final = MODELS / "dies.json"
NEEDLE_FLOOR: Final = -25.0
"""Choice: the dies alone rule no character out further than this below the likeliest."""


@dataclass(frozen=True, slots=True)
class DieWeights:
    """How much the herd's dies count."""

    reading: float
    """``a``."""
    needles: float
    """``w``."""
    known: float
    """``b``."""


def load_die_weights(path: Path = DEFAULT_PATH) -> DieWeights:
    """The fitted weights.

    Raises
    ------
    ModelError
        If the file is missing or lacks a weight.
    """
    names = ("reading", "needles", "known")
    return model_from_json(path, lambda values: DieWeights(*(float(values[k]) for k in names)))


def herd_model(dies: LearnedDies, base: NeedleModel) -> NeedleModel:
    """Needle model in which the known characters stand as the herd's dies have them.

    Parameters
    ----------
    dies : LearnedDies
    base : NeedleModel
        The shipped model; its shapes stay where no die is known.
    """
    known = {index_of(c): [unit_box(d.needles) for d in dies.of(c)] for c in dies.characters}
    return NeedleModel.from_bank(with_known_needles(base.bank, known))


def features(
    logp: LogLikelihood, loglik: NDArray[np.float64], characters: str
) -> NDArray[np.float64]:
    """(n, 36, 3): calibrated log-probability, the dies' opinion, and whether the die is known.

    Parameters
    ----------
    logp : ndarray, (n, 37)
    loglik : ndarray, (n, 36)
        Of ``herd_model``, any common offset in a place.
    characters : str
        Those with a known die.
    """
    reading = np.maximum(np.asarray(logp, dtype=np.float64)[:, :N_CHARACTERS], LOG_FLOOR)
    needles = np.asarray(loglik, dtype=np.float64)
    if len(needles):
        needles = np.maximum(needles - needles.max(axis=1, keepdims=True), NEEDLE_FLOOR)
    known = np.zeros(reading.shape)
    known[:, [index_of(c) for c in characters]] = 1.0
    return np.stack([reading, needles, known], axis=2)


def weigh(
    logp: LogLikelihood,
    loglik: NDArray[np.float64],
    characters: str,
    weights: DieWeights,
) -> LogLikelihood:
    """The reading of some places with the dies' opinion weighed in, (n, 37), normalised.

    Parameters as :func:`features`; the probability of "no character" is kept.
    """
    if not len(logp) or not characters:
        return np.asarray(logp, dtype=np.float64)
    vector = np.array([weights.reading, weights.needles, weights.known])
    inner = normalise_log(features(logp, loglik, characters) @ vector)
    there = log_sum_exp(np.asarray(logp)[:, :N_CHARACTERS])
    return np.concatenate([inner + there, np.asarray(logp)[:, N_CHARACTERS:]], axis=1)


def fit_die_weights(
    blocks: Sequence[NDArray[np.float64]], truths: Sequence[NDArray[np.int64]]
) -> DieWeights:
    """Weights under which the true characters are most probable; none but ``known`` below 0.

    Parameters
    ----------
    blocks : sequence of ndarray, (n, 36, 3)
        From :func:`features`.
    truths : sequence of ndarray, (n,)
        True characters by index.
    """
    from scipy.optimize import minimize

    if not blocks:
        raise ValueError("no readings to fit on; expected at least one row")
    x, y = np.concatenate(blocks), np.concatenate(truths).astype(np.int64)
    rows = np.arange(len(y))

    def loss(vector: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        scores = x @ vector
        total = log_sum_exp(scores)[:, 0]
        share = np.exp(scores - total[:, None])
        gradient = np.einsum("nc,ncr->r", share, x) / len(y) - x[rows, y].mean(axis=0)
        return float(np.mean(total - scores[rows, y])), gradient

    bounds = [(0.0, None), (0.0, None), (None, None)]
    found = minimize(loss, np.array([1.0, 0.0, 0.0]), jac=True, method="L-BFGS-B", bounds=bounds)
    return DieWeights(*(float(value) for value in found.x))
