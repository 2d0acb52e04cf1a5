"""Three readers, one opinion: a logarithmic pool with weights fitted on held-out readings.

``log p(c) = w_network log p_network(c) + w_needle l_needle(c) + w_second log p_second(c) + const``

The needle model knows no "no character"; its place is taken by a fitted constant. With the
second reader missing other weights are used, fitted without it.

Genest and Zidek 1986, "Combining probability distributions", Statist. Sci. 1(1):114-135,
doi:10.1214/ss/1177013825 (logarithmic pools); weights here need not sum to one, since readers of
the same pixels are neither independent nor equally sharp.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS, N_CLASSES, NO_CHARACTER
from legibility.containers import LogLikelihood
from legibility.probability import log_sum_exp, normalise_log

READER_FLOOR: Final = -15.0
"""Choice: no reader alone can put a character further below its best one than this (log)."""

RIDGE: Final = 1e-4
"""Choice: pull of the fitted weights towards the network alone; keeps unused ones finite."""

SECOND_HEARD: Final = 0.3
"""Measured: the weight the second reader had in a pool fitted on simulated photos."""
SILENT_SPREAD: Final = 1e-9
"""A second reader whose log-probabilities of a cell differ by less than this said nothing."""


@dataclass(frozen=True, slots=True)
class PoolWeights:
    """Weights of one pool."""

    network: float
    needle: float
    second: float
    no_character: float
    """Log-score of "no character" from the needle model's side."""


@dataclass(frozen=True, slots=True)
class FusionWeights:
    """Weights with and without the second reader."""

    with_second: PoolWeights
    without_second: PoolWeights


NETWORK_ALONE: Final = FusionWeights(
    with_second=PoolWeights(network=1.0, needle=0.0, second=0.0, no_character=0.0),
    without_second=PoolWeights(network=1.0, needle=0.0, second=0.0, no_character=0.0),
)
"""What an unfitted pool does: it passes the network on."""


@dataclass(frozen=True, slots=True)
class FusionRecord:
    """One row read by all readers, with its true characters."""

    network_logp: LogLikelihood
    """(n, 37)."""
    needle_loglik: NDArray[np.float64]
    """(n, 36)."""
    tesseract_logp: LogLikelihood | None
    """(n, 37); None when the second reader was not asked."""
    truth: NDArray[np.int64]
    """(n,) class of each cell, 36 = no character."""


def fuse(
    network_logp: LogLikelihood,
    needle_loglik: NDArray[np.float64],
    tesseract_logp: LogLikelihood | None,
    weights: FusionWeights,
) -> LogLikelihood:
    """Pool the readers' opinions of the cells of a row.

    Parameters
    ----------
    network_logp : ndarray, shape (n, 37)
        Log-probabilities of the network.
    needle_loglik : ndarray, shape (n, 36)
        Log-likelihoods of the needle model, any common offset in a cell.
    tesseract_logp : ndarray, shape (n, 37), or None
        Log-probabilities of the second reader; None when it was not asked.
    weights : FusionWeights

    Returns
    -------
    ndarray, shape (n, 37), float64
        Normalised, not yet calibrated.

    Raises
    ------
    ValueError
        If shapes do not fit or a value is NaN.
    """
    pool = weights.without_second if tesseract_logp is None else weights.with_second
    features = _features(network_logp, needle_loglik, tesseract_logp)
    return normalise_log(np.tensordot(features, _vector(pool, features.shape[2]), axes=(2, 0)))


def disagreement(
    network_logp: LogLikelihood,
    needle_loglik: NDArray[np.float64],
    tesseract_logp: LogLikelihood | None,
    weights: FusionWeights,
) -> NDArray[np.float64]:
    """How far the readers contradict each other in each cell, (n,), 0 (agree) .. 1.

    Jensen-Shannon divergence of the readers' weighted opinions of the 36 characters, as a share
    of its largest possible value; readers that are silent or have no weight are left out.
    Lin 1991, IEEE Trans. Inf. Theory 37(1):145-151, doi:10.1109/18.61115.
    """
    pool = weights.without_second if tesseract_logp is None else weights.with_second
    features = _features(network_logp, needle_loglik, tesseract_logp)
    vector = _vector(pool, features.shape[2])
    if tesseract_logp is not None:
        # It is heard even where the pool gives it no weight.
        vector[2] = max(vector[2], SECOND_HEARD)
    opinions = features[:, :N_CHARACTERS, :-1] * vector[:-1]
    speaks = np.ptp(opinions, axis=1) > SILENT_SPREAD
    logp = normalise_log(opinions, axis=1)
    count = np.maximum(speaks.sum(axis=1), 1)
    share = np.where(speaks, 1.0 / count[:, None], 0.0)
    mean = np.einsum("ncr,nr->nc", np.exp(logp), share)
    log_mean = np.log(np.maximum(mean, 1e-300))
    divergence = np.einsum("ncr,nr->n", np.exp(logp) * (logp - log_mean[:, :, None]), share)
    return np.asarray(
        np.where(count > 1, np.clip(divergence / np.log(np.maximum(count, 2)), 0.0, 1.0), 0.0)
    )


def fit_fusion(records: Sequence[FusionRecord]) -> FusionWeights:
    """Weights that make the truth of held-out rows most probable.

    Multinomial logistic regression with one coefficient a reader, none of them negative, and
    a weak pull towards the network alone. Convex, so the fit does not depend on a start.

    Raises
    ------
    ValueError
        If there are no records or their shapes do not fit.
    """
    if not records:
        raise ValueError("no records to fit on; expected at least one row")
    without = _fit_pool(
        [_features(r.network_logp, r.needle_loglik, None) for r in records],
        [r.truth for r in records],
    )
    asked = [r for r in records if r.tesseract_logp is not None]
    if not asked:
        return FusionWeights(with_second=without, without_second=without)
    with_second = _fit_pool(
        [_features(r.network_logp, r.needle_loglik, r.tesseract_logp) for r in asked],
        [r.truth for r in asked],
    )
    return FusionWeights(with_second=with_second, without_second=without)


def _fit_pool(blocks: list[NDArray[np.float64]], truths: list[NDArray[np.int64]]) -> PoolWeights:
    from scipy.optimize import minimize

    features = np.concatenate(blocks)
    truth = np.concatenate(truths).astype(np.int64)
    if truth.shape != features.shape[:1] or (
        truth.size and (truth.min() < 0 or truth.max() >= N_CLASSES)
    ):
        raise ValueError(f"truth of shape {truth.shape} does not name classes 0..36 of each cell")
    rows = np.arange(len(truth))
    start = np.zeros(features.shape[2])
    start[0] = 1.0

    def loss(vector: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        scores = features @ vector
        log_total = log_sum_exp(scores, axis=1)[:, 0]
        share = np.exp(scores - log_total[:, None])
        value = np.mean(log_total - scores[rows, truth])
        gradient = np.einsum("nc,ncr->r", share, features) / len(truth)
        gradient -= features[rows, truth].mean(axis=0)
        pull = vector - start
        return float(value + RIDGE * pull @ pull), gradient + 2 * RIDGE * pull

    bounds = [(0.0, None)] * (features.shape[2] - 1) + [(None, None)]
    result = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds)
    values = [float(value) for value in result.x]
    second = values[2] if len(values) == 4 else 0.0
    return PoolWeights(network=values[0], needle=values[1], second=second, no_character=values[-1])


def _features(
    network_logp: LogLikelihood,
    needle_loglik: NDArray[np.float64],
    tesseract_logp: LogLikelihood | None,
) -> NDArray[np.float64]:
    """(n, 37, readers + 1): each reader's bounded log-scores and, last, "no character"."""
    n = len(network_logp)
    if np.shape(network_logp) != (n, N_CLASSES) or np.shape(needle_loglik) != (n, N_CHARACTERS):
        raise ValueError(
            f"network gave {np.shape(network_logp)} and needle model {np.shape(needle_loglik)}; "
            f"expected (n, {N_CLASSES}) and (n, {N_CHARACTERS}) with the same n"
        )
    if tesseract_logp is not None and np.shape(tesseract_logp) != (n, N_CLASSES):
        raise ValueError(
            f"second reader gave {np.shape(tesseract_logp)}; expected ({n}, {N_CLASSES})"
        )
    needle = np.zeros((n, N_CLASSES))
    needle[:, :N_CHARACTERS] = _bounded(needle_loglik)
    blank = np.zeros((n, N_CLASSES))
    blank[:, NO_CHARACTER] = 1.0
    columns = [_bounded(network_logp), needle]
    if tesseract_logp is not None:
        columns.append(_bounded(tesseract_logp))
    return np.stack([*columns, blank], axis=2)


def _bounded(scores: NDArray[np.float64]) -> NDArray[np.float64]:
    values = np.asarray(scores, dtype=np.float64)
    if np.any(np.isnan(values)) or np.any(np.isposinf(values)):
        raise ValueError("a reader gave a score that is not a number")
    if not len(values):
        return values
    top = values.max(axis=1, keepdims=True)
    if not np.all(np.isfinite(top)):
        raise ValueError("a reader ruled out every character of a cell")
    return np.asarray(np.maximum(values - top, READER_FLOOR), dtype=np.float64)


def _vector(pool: PoolWeights, length: int) -> NDArray[np.float64]:
    if length == 3:
        return np.array([pool.network, pool.needle, pool.no_character])
    return np.array([pool.network, pool.needle, pool.second, pool.no_character])
