"""Several photos of one animal: how much each counts, and what they say together.

    log p(a | photos) = log prior(a) + sum_k w_k [ log p(a | photo k) - log prior(a) ] + constant

The terms in brackets are the calibrated evidence of each photo alone, so that one photo gives what
it gives alone and a photo that says nothing changes nothing. Photos of one ear share its faults:
only the one that says most counts in full. Within one stage of handling the next ones count with
``repeat``, ``repeat**2``, ...; between stages with ``step``, ``step**2``, ... Any number of photos
of one stage therefore counts at most as ``1 / (1 - repeat)`` photos: more of the same never
becomes certainty. The two ears were marked apart and count in full beside each other.

A single exponent for all photos, p(a | photos) ~ prior(a) prod_k p(photo k | a)**tau, would let
photos that show nothing dilute the one that does; weights by rank do not.

Faults that are shared make photos agree; they never explain that photos disagree. So the photos are
weighed a second time, each next one of an ear either repeating what the earlier ones showed or
being a look of its own (:func:`repeated`, with a share ``OWN_LOOK``, its square, ...), and what is
less sure of its first candidate holds. With photos that agree that is the first sum, with photos
that speak against each other the second.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Stage
from legibility.probability import LOG_FLOOR, log_sum_exp, normalise_log

OWN_LOOK: Final = 0.5
"""Choice, as for people's readings: the next photo of an ear is a look of its own."""


@dataclass(frozen=True, slots=True)
class Tempering:
    """Tempering exponents, 0..1, of photos that share an ear."""

    repeat: float = 0.0
    """Next photos of the same stage. Choice until fitted: they add nothing."""
    step: float = 0.5
    """Photos of other stages. Choice until fitted."""


@dataclass(frozen=True, slots=True)
class PhotoEvidence:
    """What one photo says of every animal."""

    log_ratio: NDArray[np.float64]
    """(n + 1,) log of probability after over before the photo; last "not registered"."""
    ear: str = ""
    stage: Stage = Stage.AS_FOUND
    straight: NDArray[np.float64] | None = None
    """(n + 1,) where each mark is in the ear it is recorded for; None: no matter of ears."""
    swapped: NDArray[np.float64] | None = None
    """(n + 1,) where the animal's ears were taken for each other."""


@dataclass(frozen=True, slots=True)
class Added:
    """Further evidence that may repeat what the photos showed: a person's reading."""

    straight: NDArray[np.float64]
    swapped: NDArray[np.float64]
    """(n + 1,) as those of a photo."""
    share: float
    """Share with which it is a look of its own, 0..1."""


@dataclass(frozen=True, slots=True)
class Combined:
    """What several photos say together."""

    probabilities: NDArray[np.float64]
    """(n + 1,); they sum to one."""
    weights: tuple[float, ...]
    """Exponent of each photo, 0..1."""


@dataclass(frozen=True, slots=True)
class SequenceRecord:
    """Several photos of one known animal, for fitting."""

    photos: tuple[PhotoEvidence, ...]
    truth: int
    log_prior: NDArray[np.float64]


def log_ratio(
    probabilities: NDArray[np.float64], log_prior: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Evidence of one photo from its calibrated probabilities; finite.

    Parameters
    ----------
    probabilities : (n + 1,) float64
        Of ``identify.calibration.posterior``.
    log_prior : (n + 1,) float64
        The prior they were computed with; animals with ``-inf`` have no evidence.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.log(probabilities) - log_prior
    ratio = np.where(np.isfinite(log_prior), ratio, 0.0)
    return np.asarray(np.maximum(ratio, LOG_FLOOR), dtype=np.float64)


def information(ratio: NDArray[np.float64], log_prior: NDArray[np.float64]) -> float:
    """How much evidence moves the prior: Kullback-Leibler divergence in nats, at least 0.

    Kullback & Leibler 1951, doi:10.1214/aoms/1177729694.
    """
    posterior = normalise_log(log_prior + ratio)
    mass = np.exp(posterior)
    there = mass > 0
    return max(0.0, float(np.sum(mass[there] * (posterior[there] - log_prior[there]))))


def repeated(
    score: NDArray[np.float64], ratio: NDArray[np.float64], share: float
) -> NDArray[np.float64]:
    """(n + 1,) evidence of a look that may only repeat what was seen already.

        log [ (1 - share) sum_b p(b) L(b) + share L(a) ]

    with p the probabilities so far. A look that agrees multiplies the odds of an animal by at most
    ``1 + share / ((1 - share) p(a))``; one that disagrees counts nearly in full.

    Parameters
    ----------
    score : (n + 1,) float64
        Unnormalised log-probabilities so far.
    ratio : (n + 1,) float64
        Log-likelihood of the look.
    share : float
        Probability beforehand that it is a look of its own, 0..1.
    """
    copied = log_sum_exp(normalise_log(score) + ratio)[0]
    with np.errstate(divide="ignore"):
        own = np.log(share) + ratio
        return np.asarray(np.logaddexp(np.log1p(-share) + copied, own), dtype=np.float64)


def combine(
    photos: Sequence[PhotoEvidence],
    log_prior: NDArray[np.float64],
    *,
    tempering: Tempering,
    p_wrong_ear: float = 0.0,
    added: Sequence[Added] = (),
) -> Combined:
    """What photos of one animal say together.

    Parameters
    ----------
    photos : sequence of PhotoEvidence
        In any order; repeated ones left out. Without a photo the prior is returned.
    log_prior : (n + 1,) float64
        Log-probabilities before any photo, ``-inf`` for animals that are ruled out.
    tempering : Tempering
    p_wrong_ear : float
        Probability that the animal's ears were taken for each other, once for all its photos.
    added : sequence of Added
        Further evidence, most telling first.
    """
    weights = _weights(photos, log_prior, tempering)
    by_ear = any(
        w > 0 and p.straight is not p.swapped for w, p in zip(weights, photos, strict=True)
    )
    by_ear |= any(one.straight is not one.swapped for one in added)
    found = []
    for cases in (_tempered(photos, log_prior, weights), _as_looks(photos, log_prior)):
        straight, swapped = cases
        for one in added:
            straight = straight + repeated(straight, one.straight, one.share)
            swapped = swapped + repeated(swapped, one.swapped, one.share)
        score = straight
        if by_ear:
            with np.errstate(divide="ignore"):
                wrong = np.log(p_wrong_ear)
            score = np.logaddexp(np.log1p(-p_wrong_ear) + straight, wrong + swapped)
        probabilities = np.exp(normalise_log(score))
        found.append(probabilities / probabilities.sum())
    least_sure = min(found, key=lambda probabilities: float(probabilities.max()))
    return Combined(least_sure, tuple(weights))


def _tempered(
    photos: Sequence[PhotoEvidence], log_prior: NDArray[np.float64], weights: Sequence[float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(n + 1,) sums by the photos' weights, ears straight and swapped."""
    straight, swapped = (np.array(log_prior, dtype=np.float64) for _ in range(2))
    for weight, photo in zip(weights, photos, strict=True):
        if weight > 0:
            straight = straight + weight * _said(photo, "straight")
            swapped = swapped + weight * _said(photo, "swapped")
    return straight, swapped


def _as_looks(
    photos: Sequence[PhotoEvidence], log_prior: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The same with each next photo of an ear as a look that may repeat the earlier ones."""
    sums = [np.array(log_prior, dtype=np.float64) for _ in range(2)]
    for stages in _by_ear_and_stage(photos).values():
        members = [index for stage in stages.values() for index in stage]
        order = _most_first([photos[index].log_ratio for index in members], log_prior)
        of_ear = [np.array(log_prior, dtype=np.float64) for _ in range(2)]
        for rank, place in enumerate(order):
            for case, name in enumerate(("straight", "swapped")):
                ratio = _said(photos[members[place]], name)
                of_ear[case] = of_ear[case] + repeated(of_ear[case], ratio, OWN_LOOK**rank)
        for case in range(2):
            # Animals that are ruled out stay so.
            with np.errstate(invalid="ignore"):
                gained = of_ear[case] - log_prior
            sums[case] = sums[case] + np.where(np.isfinite(log_prior), gained, 0.0)
    return sums[0], sums[1]


def _said(photo: PhotoEvidence, case: str) -> NDArray[np.float64]:
    own: NDArray[np.float64] | None = getattr(photo, case)
    return photo.log_ratio if own is None else own


def _weights(
    photos: Sequence[PhotoEvidence], log_prior: NDArray[np.float64], tempering: Tempering
) -> list[float]:
    """Exponent of each photo."""
    weights = [0.0] * len(photos)
    for stages in _by_ear_and_stage(photos).values():
        said = []
        for members in stages.values():
            order = _most_first([photos[index].log_ratio for index in members], log_prior)
            shares = {members[place]: tempering.repeat**rank for rank, place in enumerate(order)}
            total = np.sum([w * photos[k].log_ratio for k, w in shares.items() if w > 0], axis=0)
            said.append((total, shares))
        for rank, place in enumerate(_most_first([total for total, _ in said], log_prior)):
            for index, share in said[place][1].items():
                weights[index] = tempering.step**rank * share
    return weights


def fit_tempering(
    singles: Sequence[SequenceRecord],
    repeats: Sequence[SequenceRecord],
    stages: Sequence[SequenceRecord],
) -> Tempering:
    """Exponents of maximum likelihood.

    How reliable a photo is alone is the business of the final calibration. Where it fits these
    photos badly, the exponents must not make up for it: an exponent on the evidence of single
    photos is fitted first, kept while the two others are fitted, and then forgotten.

    Parameters
    ----------
    singles : sequence of SequenceRecord
        One photo each.
    repeats : sequence of SequenceRecord
        Several photos of one stage each; empty: the exponent stays as it is by default.
    stages : sequence of SequenceRecord
        One photo of each of several stages; likewise.

    Raises
    ------
    ValueError
        If there is no single photo.
    """
    if not singles:
        raise ValueError("no photos to fit the tempering on; expected at least one")
    own = _best_exponent(lambda k: mean_log_truth(singles, Tempering(), scale=k), (0.05, 3.0))
    tempering = Tempering()
    repeat, step = tempering.repeat, tempering.step
    if repeats:
        repeat = _best_exponent(
            lambda tau: mean_log_truth(repeats, Tempering(repeat=tau), scale=own), (0.0, 1.0)
        )
    if stages:
        step = _best_exponent(
            lambda tau: mean_log_truth(stages, Tempering(step=tau), scale=own), (0.0, 1.0)
        )
    return Tempering(repeat=repeat, step=step)


def mean_log_truth(
    records: Sequence[SequenceRecord], tempering: Tempering, *, scale: float = 1.0
) -> float:
    """Mean log-probability given to the true animal (at least ``LOG_FLOOR`` each)."""
    values = []
    for record in records:
        photos = [
            PhotoEvidence(scale * photo.log_ratio, photo.ear, photo.stage)
            for photo in record.photos
        ]
        chance = combine(photos, record.log_prior, tempering=tempering).probabilities[record.truth]
        values.append(max(LOG_FLOOR, float(np.log(max(float(chance), 1e-300)))))
    return float(np.mean(values))


def _by_ear_and_stage(
    photos: Sequence[PhotoEvidence],
) -> Mapping[str, Mapping[Stage, list[int]]]:
    found: dict[str, dict[Stage, list[int]]] = {}
    for index, photo in enumerate(photos):
        found.setdefault(photo.ear, {}).setdefault(photo.stage, []).append(index)
    return found


def _most_first(ratios: Sequence[NDArray[np.float64]], log_prior: NDArray[np.float64]) -> list[int]:
    """Indices by information, most first; ties in the order given."""
    if len(ratios) == 1:
        return [0]
    said = [information(ratio, log_prior) for ratio in ratios]
    return sorted(range(len(ratios)), key=lambda index: -said[index])


def _best_exponent(score: Callable[[float], float], bounds: tuple[float, float]) -> float:
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(
        lambda x: -score(float(x)), bounds=bounds, method="bounded", options={"xatol": 1e-3}
    )
    ends = [float(found.x), *bounds]
    return max(ends, key=score)
