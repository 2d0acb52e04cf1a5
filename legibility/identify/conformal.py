"""Sets that hold the true animal with a stated probability.

Split conformal prediction (Angelopoulos & Bates 2021, arXiv:2107.07511, sections 1 and 3) with the
score "probability of all candidates that are strictly more probable". It differs from the score of
that paper's section 2.1 in leaving out the candidate itself: the set is then never empty, and a
reader that is right often enough gets sets of one. "Not registered" has scores and a limit of its
own (class-conditional, section 4.2 there), from photos whose animal was left out of the registry.

The promise is marginal, over photos like those of the calibration set and registries of that size,
not for each single photo. Between two sizes the larger limit of the two holds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.identify.calibration import FinalCalibration, SetScores


@dataclass(frozen=True, slots=True)
class CandidateSet:
    """Which outcomes are in the set, and on what it rests."""

    members: NDArray[np.int64]
    """Indices, most probable first."""
    basis: str
    """In words: conformal with the size of the calibration set, or the probabilities alone."""


@dataclass(frozen=True, slots=True)
class SetLimits:
    """Largest scores that are still in the set; infinite when there are too few photos."""

    registered: float
    unregistered: float
    photos: int
    """Fewest calibration photos that one of them rests on."""
    sizes: tuple[int, ...]
    """Sizes of the registries they were scored in; 0 = any."""


def score_limit(scores: Sequence[float], *, coverage: float) -> float:
    """The ``ceil((n + 1) coverage)``-th smallest score; infinite when there are too few.

    Angelopoulos & Bates 2021, equation 1; the guarantee is ``coverage <= P(in the set)``.
    """
    rank = math.ceil((len(scores) + 1) * coverage - 1e-9)
    return float(np.sort(scores)[rank - 1]) if 1 <= rank <= len(scores) else math.inf


def set_limits(sets: Sequence[SetScores], *, animals: int, coverage: float) -> SetLimits:
    """Limits for a registry of so many animals.

    Parameters
    ----------
    sets : sequence of SetScores
        By size ascending; of two neighbouring sizes the larger limit is taken, beyond the last
        size that of the last.
    """
    if not sets:
        return SetLimits(math.inf, math.inf, 0, ())
    above = next((i for i, s in enumerate(sets) if s.animals >= animals), len(sets) - 1)
    below = above if sets[above].animals <= animals else max(0, above - 1)
    used = sets[below : above + 1]
    registered = max(score_limit(s.registered, coverage=coverage) for s in used)
    apart = all(s.unregistered for s in used)
    return SetLimits(
        registered=registered,
        unregistered=max(score_limit(s.unregistered, coverage=coverage) for s in used)
        if apart
        else registered,
        photos=min(
            min(len(s.registered), len(s.unregistered) if apart else len(s.registered))
            for s in used
        ),
        sizes=tuple(s.animals for s in used),
    )


def candidate_set(
    probabilities: NDArray[np.float64],
    *,
    coverage: float,
    calibration: FinalCalibration,
    ranking: NDArray[np.float64] | None = None,
    animals: int | None = None,
) -> CandidateSet:
    """Smallest set that holds the truth with probability ``coverage``.

    Parameters
    ----------
    probabilities : ndarray of float64, (n + 1,)
        Of the registry's animals and, last, "not registered".
    coverage : float, 0..1
    calibration : FinalCalibration
        Its ``sets`` are used. With too few photos for this coverage (fewer than
        ``1 / (1 - coverage) - 1``) the set is the smallest whose probabilities sum to
        ``coverage``, and ``basis`` says so.
    ranking : ndarray of float64, (n + 1,), optional
        Probabilities after ``calibration.scored_with``, by which photos were scored; by default
        the probabilities themselves.
    animals : int, optional
        Size of the registry where improbable animals were left out of the probabilities.

    Returns
    -------
    CandidateSet
        Equally probable outcomes are in it together, and the most probable one always.
    """
    size = probabilities.size - 1 if animals is None else animals
    limits = set_limits(calibration.sets, animals=size, coverage=coverage)
    if not (math.isfinite(limits.registered) and math.isfinite(limits.unregistered)):
        few = f"only {limits.photos}" if limits.photos else "no"
        basis = f"sum of the probabilities ({few} calibration photos: coverage is not guaranteed)"
        order, before = _mass_before(probabilities)
        return CandidateSet(order[before < coverage].astype(np.int64), basis)
    order, before = _mass_before(probabilities if ranking is None else ranking)
    limit = np.where(order == probabilities.size - 1, limits.unregistered, limits.registered)
    chosen = np.union1d(order[before <= limit + 1e-9], [int(np.argmax(probabilities))])
    members = chosen[np.argsort(-probabilities[chosen], kind="stable")]
    where = " and ".join(f"{size:,}" for size in limits.sizes)
    herds = f" in herds of {where} animals" if limits.sizes != (0,) else ""
    basis = f"split conformal, {limits.photos} calibration photos{herds}"
    return CandidateSet(members.astype(np.int64), basis)


def _mass_before(
    probabilities: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Outcomes by descending probability, and the score of each."""
    order = np.argsort(-probabilities, kind="stable").astype(np.int64)
    ordered = probabilities[order]
    before = np.concatenate([[0.0], np.cumsum(ordered)[:-1]])
    begins = np.concatenate([[True], ordered[1:] < ordered[:-1]])
    return order, before[np.maximum.accumulate(np.where(begins, np.arange(ordered.size), 0))]
