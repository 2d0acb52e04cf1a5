"""The fitted ratio model: weights, tempering, validity, and what the data support at most.

Two series of disputes with known truth stand behind it: on one the weights are fitted, on the
other, made apart, validity and the cap are measured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from legibility.evidence.fitting import (
    fit_repeat,
    fit_weights,
    fit_with_constant,
    rank_weights,
)
from legibility.evidence.validity import (
    PRIOR_LOG10_ODDS,
    bounds,
    cllr,
    cllr_min,
    empirical_cross_entropy,
    misleading,
    pav_log_ratios,
    prior_entropy,
    tippett,
)

Scores: TypeAlias = Mapping[str, tuple[float, ...]]
"""Reader -> log-likelihoods of the claims and, last, of "neither"."""

TOGETHER: Final = ("pooled", "needles")
"""The reported ratio weighs the fused readers and the needle model; the fusion alone may give the
needles no weight, since it was fitted to name characters and not to decide between two."""
READERS: Final = ("pooled", "network", "needles", "second")
FOLDS: Final = 5
"""Choice: parts in which ratios of two photos are cross-validated."""
TRUE, RIVAL, STRANGER, NEITHER = range(4)
"""Places of the scores of a dispute."""


@dataclass(frozen=True, slots=True)
class Dispute:
    """One photo of a known ear, with two claims."""

    ear: int
    """Photos of one ear have one number."""
    condition: str
    truth: str
    rival: str
    """Registered mark nearest to the true one."""
    scores: Scores
    """Log-likelihoods of the true mark, the rival, a registered mark drawn at random, "neither";
    empty where nothing was read: then the photo says nothing."""
    said: float = 1.0
    """How far the photo tells marks apart, 0..1; 0 where nothing was read."""

    def difference(self, reader: str, first: int, second: int) -> float:
        """Log-likelihood of one claim less that of another; 0 where the reader said nothing."""
        values = self.scores.get(reader)
        return 0.0 if values is None else values[first] - values[second]


@dataclass(frozen=True, slots=True)
class Validity:
    """How good the ratios of one kind are on disputes that they were not fitted on."""

    name: str
    n: int
    """Disputes."""
    silent: int
    """Disputes in which nothing was read, counted with a ratio of 1."""
    cllr: float
    cllr_min: float
    misleading: int
    """Disputes whose ratio speaks for the wrong claim."""
    worst: float
    """Largest misleading log ratio, 0 when there is none."""
    median: float
    """Median log ratio for the true claim."""


@dataclass(frozen=True, slots=True)
class Curves:
    """Tippett plot and empirical cross-entropy as points."""

    log10_ratio: tuple[float, ...]
    same: tuple[float, ...]
    other: tuple[float, ...]
    log10_prior_odds: tuple[float, ...]
    entropy: tuple[float, ...]
    entropy_pav: tuple[float, ...]
    entropy_silent: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class RatioModel:
    """Everything ``compare`` weighs claims with."""

    together: tuple[float, ...]
    """Weights of ``TOGETHER``."""
    alone: Mapping[str, float]
    """Reader -> weight when it is asked alone."""
    neither: tuple[float, ...]
    """Weights of ``TOGETHER`` and a constant, for a claim against "neither"; the constant is
    multiplied by how far the photo tells marks apart, so that silence stays 1 : 1."""
    repeat: float
    """How much each further photo of one ear counts, 0..1; see ``fitting.rank_weights``."""
    cap: tuple[float, float]
    """Smallest and largest log ratio of two claims that the held-out disputes support."""
    cap_neither: tuple[float, float]
    validity: tuple[Validity, ...]
    """All held-out disputes, each needle condition, each reader alone, "neither", and two photos
    of one ear; capped as they are reported but for the row before the cap."""
    curves: Curves
    fitted: tuple[Dispute, ...]
    held_out: tuple[Dispute, ...]
    origin: str
    models_sha256: str
    """Of the networks and fits that read the disputes."""


def differences(
    disputes: Sequence[Dispute],
    *,
    readers: Sequence[str] = TOGETHER,
    first: int = TRUE,
    second: int = RIVAL,
) -> NDArray[np.float64]:
    """(n, readers) log-likelihood of one claim less that of another."""
    values = [[d.difference(reader, first, second) for reader in readers] for d in disputes]
    return np.array(values, dtype=np.float64).reshape(len(disputes), len(readers))


def ratio_model(
    fitted: Sequence[Dispute], held_out: Sequence[Dispute], *, origin: str, models_sha256: str
) -> RatioModel:
    """Fit weights on one series of disputes and measure them on another.

    Raises
    ------
    ValueError
        If one of the series is empty.
    """
    if not fitted or not held_out:
        raise ValueError(
            f"{len(fitted)} disputes to fit on and {len(held_out)} to measure on; expected some"
        )
    together = fit_weights(differences(fitted))
    alone = {r: float(fit_weights(differences(fitted, readers=(r,)))[0]) for r in READERS}
    shown = _said(fitted)
    neither = fit_with_constant(
        differences(fitted, second=NEITHER),
        differences(fitted, first=STRANGER, second=NEITHER),
        said=(shown, shown),
    )
    raw = differences(held_out) @ together
    cap = bounds(raw, -raw)
    ratios = np.clip(raw, *cap)
    raw_true, raw_false = against_neither(held_out, neither)
    cap_neither = bounds(raw_true, raw_false)
    true_claims, false_claims = np.clip(raw_true, *cap_neither), np.clip(raw_false, *cap_neither)
    validity = [_validity("all", held_out, ratios)]
    validity.append(_validity("all, before the cap", held_out, raw))
    for condition in dict.fromkeys(d.condition for d in held_out):
        at = [i for i, d in enumerate(held_out) if d.condition == condition]
        validity.append(_validity(condition, [held_out[i] for i in at], ratios[at]))
    for reader in READERS:
        own = np.clip(differences(held_out, readers=(reader,)) @ [alone[reader]], *cap)
        validity.append(_validity(f"reader {reader} alone", held_out, own, reader=reader))
    validity.append(_neither_validity(held_out, true_claims, false_claims))
    validity += _joint_validity(fitted, cap)
    return RatioModel(
        together=tuple(map(float, together)),
        alone=alone,
        neither=tuple(map(float, neither)),
        repeat=_repeat(fitted, together),
        cap=cap,
        cap_neither=cap_neither,
        validity=tuple(validity),
        curves=_curves(ratios),
        fitted=tuple(fitted),
        held_out=tuple(held_out),
        origin=origin,
        models_sha256=models_sha256,
    )


def against_neither(
    disputes: Sequence[Dispute], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log ratios against "neither" of the true claims, and of claims drawn at random."""
    constant = weights[-1] * _said(disputes)
    true_claims = differences(disputes, second=NEITHER) @ weights[:-1] + constant
    strangers = differences(disputes, first=STRANGER, second=NEITHER)
    return true_claims, strangers @ weights[:-1] + constant


def _said(disputes: Sequence[Dispute]) -> NDArray[np.float64]:
    return np.array([dispute.said for dispute in disputes], dtype=np.float64)


def _pairs(disputes: Sequence[Dispute]) -> list[tuple[Dispute, Dispute]]:
    """The first two photos of each ear that has two."""
    by_ear: dict[int, list[Dispute]] = {}
    for dispute in disputes:
        by_ear.setdefault(dispute.ear, []).append(dispute)
    return [(ear[0], ear[1]) for ear in by_ear.values() if len(ear) >= 2]


def _paired_ratios(
    pairs: Sequence[tuple[Dispute, Dispute]], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    both = differences([dispute for pair in pairs for dispute in pair])
    return np.asarray((both @ weights).reshape(len(pairs), 2))


def _repeat(fitted: Sequence[Dispute], weights: NDArray[np.float64]) -> float:
    pairs = _pairs(fitted)
    # Without pairs nothing is known of what photos share: then only the strongest counts.
    return fit_repeat(_paired_ratios(pairs, weights)) if pairs else 0.0


def _joint_validity(fitted: Sequence[Dispute], cap: tuple[float, float]) -> list[Validity]:
    """Ratios of one and of two photos of the same ears, none weighed with its own ear.

    The ears of the first series are cut into ``FOLDS`` parts; each is weighed with what was fitted
    on the others (Stone 1974, J. R. Stat. Soc. B 36:111-147: cross-validation).
    """
    pairs = _pairs(fitted)
    if len(pairs) < FOLDS:
        return []
    single, joint = np.empty(len(pairs)), np.empty(len(pairs))
    for fold in range(FOLDS):
        left = [i for i in range(len(pairs)) if i % FOLDS == fold]
        ears = {pairs[i][0].ear for i in left}
        rest = [dispute for dispute in fitted if dispute.ear not in ears]
        weights = fit_weights(differences(rest))
        repeat = _repeat(rest, weights)
        for i, ratios in zip(left, _paired_ratios([pairs[i] for i in left], weights), strict=True):
            single[i] = ratios[0]
            joint[i] = rank_weights(ratios, repeat) @ ratios
    first = [pair[0] for pair in pairs]
    spoken = [max(pair, key=lambda dispute: len(dispute.scores)) for pair in pairs]
    return [
        _validity("one photo of an ear, cross-validated", first, np.clip(single, *cap)),
        _validity("two photos of an ear, cross-validated", spoken, np.clip(joint, *cap)),
    ]


def _validity(
    name: str, disputes: Sequence[Dispute], ratios: NDArray[np.float64], *, reader: str = "pooled"
) -> Validity:
    wrong = misleading(ratios, -ratios)[0]
    return Validity(
        name=name,
        n=len(disputes),
        silent=sum(reader not in d.scores for d in disputes),
        cllr=cllr(ratios, -ratios),
        cllr_min=cllr_min(ratios, -ratios),
        misleading=wrong,
        worst=max(0.0, -float(ratios.min())),
        median=float(np.median(ratios)),
    )


def _neither_validity(
    disputes: Sequence[Dispute],
    true_claims: NDArray[np.float64],
    false_claims: NDArray[np.float64],
) -> Validity:
    wrong = sum(misleading(true_claims, false_claims))
    worst = max(0.0, -float(true_claims.min()), float(false_claims.max()))
    return Validity(
        name="a claim against neither",
        n=2 * len(disputes),
        silent=2 * sum("pooled" not in d.scores for d in disputes),
        cllr=cllr(true_claims, false_claims),
        cllr_min=cllr_min(true_claims, false_claims),
        misleading=wrong,
        worst=worst,
        median=float(np.median(true_claims)),
    )


def _curves(ratios: NDArray[np.float64]) -> Curves:
    shares = tippett(ratios, -ratios)
    first, second = pav_log_ratios(ratios, -ratios)

    def points(values: NDArray[np.float64]) -> tuple[float, ...]:
        return tuple(round(float(v), 6) for v in values)

    return Curves(
        log10_ratio=points(shares.log10_ratio),
        same=points(shares.same),
        other=points(shares.other),
        log10_prior_odds=points(PRIOR_LOG10_ODDS),
        entropy=points(empirical_cross_entropy(ratios, -ratios)),
        entropy_pav=points(empirical_cross_entropy(first, second)),
        entropy_silent=points(prior_entropy()),
    )
