"""Calibration of the final probability.

Dropping the impossible answers and renormalising over a registry is too optimistic: Rouder 2004,
Psychol. Rev. 111:80-93, found measured performance worse than that rule predicts. So

    p(a) = (1 - lam) softmax_a( log prior(a) + tau l(a) + beta(a) ) + lam prior(a)

with l the log-likelihoods and beta(a) = beta for "not registered", else 0; lam is the probability
that something else went wrong and the photo says nothing. All three may depend on the size of the
registry and on how sure the characters are:

    log tau   = log exponent + exponent_size s - exponent_doubt d
    logit lam = logit floor  + floor_size s    + floor_doubt d
    beta      = shift        + shift_size s
    s = log10(animals / 400), d = (1 - certainty) / 0.2

lam never falls below 1 / (n + 2): n photos cannot show a smaller risk (the rule of succession).
Within one photo the probability of an animal grows with its likelihood whatever the numbers are.
They are fitted by :mod:`legibility.identify.calibration_fit`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

SIZE_CENTRE: Final = 400
"""Choice: animals of the registry at which the slopes do nothing."""
SIZE_REACH: Final = (-2.0, 3.0)
"""Choice: beyond 4 and 400,000 animals the slopes go no further."""
DOUBT_UNIT: Final = 0.2
"""Choice: so much less certainty is one unit of doubt."""
MOST_DOUBT: Final = 4.0
"""Units; a certainty of 0.2, below which nothing is read."""
AVERAGE_CERTAINTY: Final = 0.8
"""Choice: taken where a caller does not say how sure the characters are."""

EXPONENTS: Final = (0.02, 3.0)
SHIFTS: Final = (-20.0, 20.0)
LARGEST_FLOOR: Final = 0.9


@dataclass(frozen=True, slots=True)
class SetScores:
    """Conformal scores of photos in herds of one size, see :mod:`legibility.identify.conformal`."""

    animals: int
    """Size of the registries; 0 = of any."""
    registered: tuple[float, ...]
    """Ascending; of photos whose animal is registered, one a photo."""
    unregistered: tuple[float, ...] = ()
    """Ascending; of photos whose animal was left out of the registry; empty = not told apart."""


@dataclass(frozen=True, slots=True)
class FinalCalibration:
    """How log-likelihoods become probabilities one can rely on."""

    exponent: float = 0.9
    """tau; choice until fitted. Below 1 takes certainty away."""
    floor: float = 0.005
    """lam; choice until fitted: something else went wrong and the photo says nothing."""
    not_registered_shift: float = 0.0
    """beta; added to the log-likelihood of "not registered"."""
    exponent_size: float = 0.0
    exponent_doubt: float = 0.0
    """At least 0: the less sure the characters, the less they count."""
    floor_size: float = 0.0
    floor_doubt: float = 0.0
    """At least 0."""
    shift_size: float = 0.0
    photos_fitted: int = 0
    """Photos that the numbers were fitted on; 0 = they are choices."""
    records_fitted: int = 0
    """Pairs of a photo and a herd they were fitted on."""
    sets: tuple[SetScores, ...] = ()
    """Scores for candidate sets, by size of the registry ascending; empty = none."""
    scored_with: FinalCalibration | None = None
    """The calibration that ranks candidates for the sets; it was fitted on other photos than those
    of ``sets``. None: this one is it."""
    origin: str = "not fitted: default choices"
    """Where the numbers are from, in words."""

    @property
    def least_floor(self) -> float:
        """Smallest risk that the photos can show; 0 before any fit."""
        return 1.0 / (self.photos_fitted + 2) if self.photos_fitted else 0.0


class OtherAnimals(Protocol):
    """Animals of a registry that are summed up."""

    @property
    def count(self) -> int: ...
    def log_sum(self, exponent: float) -> float: ...


@dataclass(frozen=True, slots=True)
class Numbers:
    """tau, lam and beta for one photo and one registry, or for many in arrays of one shape."""

    exponent: Any
    floor: Any
    shift: Any


def covariates(animals: Any, certainty: Any) -> tuple[Any, Any]:
    """Size s and doubt d of the formulas above, held within their reach."""
    size = np.clip(np.log10(np.maximum(animals, 1) / SIZE_CENTRE), *SIZE_REACH)
    return size, np.clip((1.0 - np.asarray(certainty)) / DOUBT_UNIT, 0.0, MOST_DOUBT)


def numbers(calibration: FinalCalibration, animals: Any, certainty: Any) -> Numbers:
    """The calibration's three numbers for registries of these sizes and readings so sure.

    Parameters
    ----------
    calibration : FinalCalibration
    animals : int or ndarray of int
    certainty : float or ndarray of float, 0..1
        See :func:`legibility.identify.certainty.reading_certainty`.
    """
    size, doubt = covariates(animals, certainty)
    grown = calibration.exponent_size * size - calibration.exponent_doubt * doubt
    exponent = np.clip(calibration.exponent * np.exp(grown), *EXPONENTS)
    floor: Any = calibration.floor
    if calibration.floor_size or calibration.floor_doubt:
        logit = math.log(max(floor, 1e-300)) - math.log1p(-floor)
        logit = logit + calibration.floor_size * size + calibration.floor_doubt * doubt
        floor = np.exp(-np.logaddexp(0.0, -logit))
    floor = np.clip(floor, calibration.least_floor, max(LARGEST_FLOOR, calibration.least_floor))
    shift = np.clip(calibration.not_registered_shift + calibration.shift_size * size, *SHIFTS)
    return Numbers(exponent, floor, shift)


def log_prior(
    animals: int, *, not_registered: float, entries: int | None = None
) -> NDArray[np.float64]:
    """(animals + 1,) log prior: registered animals alike, and last "not registered".

    With ``entries`` only the last so many of them.
    """
    with np.errstate(divide="ignore"):
        prior = np.full(entries or animals + 1, np.log1p(-not_registered) - np.log(max(animals, 1)))
        prior[-1] = np.log(not_registered) if animals else 0.0
    return prior


def posterior(
    log_likelihood: NDArray[np.float64],
    *,
    not_registered_prior: float,
    calibration: FinalCalibration,
    logp_no_mark: float = -np.inf,
    certainty: float = AVERAGE_CERTAINTY,
    prior: NDArray[np.float64] | None = None,
    cautious: bool = True,
    others: OtherAnimals | None = None,
) -> NDArray[np.float64]:
    """Calibrated probabilities.

    Parameters
    ----------
    log_likelihood : ndarray of float64, (n + 1,)
        The registry's animals and, last, "not registered"; ``-inf`` allowed.
    not_registered_prior : float, 0..1
    calibration : FinalCalibration
    logp_no_mark : float
        Probability, before the registry is asked, that what was read is no mark and says nothing.
        Chance seldom spells a registered mark: where the registry explains the reading better than
        "not registered" does, that ratio is held against it (Bayes' rule); a reading that fits
        nobody leaves it as it is.
    certainty : float, 0..1
        How sure the characters are on average.
    prior : ndarray of float64, (n + 1,), optional
        Log prior of the animals, in place of ``not_registered_prior`` and all others alike.
    cautious : bool
        False leaves out "something else went wrong" and "no mark": to explain what they change.
    others : OtherAnimals, optional
        Animals of the registry that are not among the n; only without ``prior``.

    Returns
    -------
    ndarray of float64, (n + 1,)
        Sums to one, together with the others.
    """
    animals = log_likelihood.size - 1 + (0 if others is None else others.count)
    if prior is None:
        prior = log_prior(animals, not_registered=not_registered_prior, entries=log_likelihood.size)
    best = float(np.max(log_likelihood))
    if not np.isfinite(best):
        return np.exp(prior)
    chosen = numbers(calibration, animals, certainty)
    score = float(chosen.exponent) * (log_likelihood - best)
    score[-1] += float(chosen.shift)
    weighted = score + prior
    largest = float(np.max(weighted))
    total = largest + float(np.log(np.sum(np.exp(weighted - largest))))
    if others is not None:
        exponent = float(chosen.exponent)
        rest = others.log_sum(exponent) - exponent * best + float(prior[0])
        total = float(np.logaddexp(total, rest))
    explained = total - float(score[-1])
    nothing = share_of_chance(np.exp(min(0.0, logp_no_mark)), max(0.0, explained))
    informed = np.exp(weighted - total)
    nothing = float(chosen.floor) + (1.0 - float(chosen.floor)) * nothing
    nothing *= cautious
    return np.asarray((1.0 - nothing) * informed + nothing * np.exp(prior), dtype=np.float64)


def share_of_chance(no_mark: Any, log_ratio: Any) -> Any:
    """Probability of "no mark" after a likelihood ratio ``exp(log_ratio)`` for a mark."""
    return no_mark / (no_mark + (1.0 - no_mark) * np.exp(np.minimum(log_ratio, 500.0)))
