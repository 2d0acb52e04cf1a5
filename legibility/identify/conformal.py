"""Sets that hold the true animal with a stated probability.

Split conformal prediction (Angelopoulos & Bates 2021, arXiv:2107.07511, sections 1 and 3) with the
score "probability of all candidates that are strictly more probable". It differs from the score of
that paper's section 2.1 in leaving out the candidate itself: the set is then never empty, and a
reader that is right often enough gets sets of one.

The promise is marginal, over photos like those of the calibration set (same kind of herd, same
size of registry), not for each single photo.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.identify.calibration import CalibrationRecord, FinalCalibration, posterior


@dataclass(frozen=True, slots=True)
class CandidateSet:
    """Which outcomes are in the set, and on what it rests."""

    members: NDArray[np.int64]
    """Indices, most probable first."""
    basis: str
    """In words: conformal with the size of the calibration set, or the probabilities alone."""


def conformal_score(probabilities: NDArray[np.float64], truth: int) -> float:
    """Probability of everything strictly more probable than the truth, 0..1."""
    return float(np.sum(probabilities[probabilities > probabilities[truth]]))


def conformal_scores(
    records: Sequence[CalibrationRecord],
    *,
    calibration: FinalCalibration,
    not_registered_prior: float,
) -> tuple[float, ...]:
    """Scores of photos of known animals, ascending.

    The photos must not be those that ``calibration`` was fitted on.
    """
    scores = []
    for record in records:
        probabilities = posterior(
            record.log_likelihood,
            not_registered_prior=not_registered_prior,
            calibration=calibration,
            logp_no_mark=record.logp_no_mark,
        )
        scores.append(min(1.0, conformal_score(probabilities, record.truth)))
    return tuple(sorted(scores))


def score_limit(scores: Sequence[float], *, coverage: float) -> float:
    """The ``ceil((n + 1) coverage)``-th smallest score; infinite when there are too few.

    Angelopoulos & Bates 2021, equation 1; the guarantee is ``coverage <= P(in the set)``.
    """
    rank = math.ceil((len(scores) + 1) * coverage - 1e-9)
    return float(np.sort(scores)[rank - 1]) if 1 <= rank <= len(scores) else math.inf


def candidate_set(
    probabilities: NDArray[np.float64], *, coverage: float, scores: Sequence[float]
) -> CandidateSet:
    """Smallest set that holds the truth with probability ``coverage``.

    Parameters
    ----------
    probabilities : ndarray of float64, (n + 1,)
    coverage : float, 0..1
    scores : sequence of float
        Calibration scores. With too few for this coverage (fewer than ``1 / (1 - coverage) - 1``)
        the set is the smallest whose probabilities sum to ``coverage``, and ``basis`` says so.

    Returns
    -------
    CandidateSet
        Equally probable outcomes are in it together.
    """
    order = np.argsort(-probabilities, kind="stable")
    ordered = probabilities[order]
    before = np.concatenate([[0.0], np.cumsum(ordered)[:-1]])
    begins = np.concatenate([[True], ordered[1:] < ordered[:-1]])
    before = before[np.maximum.accumulate(np.where(begins, np.arange(ordered.size), 0))]
    limit = score_limit(scores, coverage=coverage)
    if math.isfinite(limit):
        chosen = before <= limit + 1e-12
        basis = f"split conformal, {len(scores)} calibration photos"
    else:
        chosen = before < coverage
        few = f"only {len(scores)}" if len(scores) else "no"
        basis = f"sum of the probabilities ({few} calibration photos: coverage is not guaranteed)"
    return CandidateSet(order[chosen].astype(np.int64), basis)
