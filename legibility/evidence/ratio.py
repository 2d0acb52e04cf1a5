"""The weight of photos for one claim against another, its uncertainty and what it depends on."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.evidence.fitting import fit_weights, rank_weights
from legibility.evidence.ratio_model import READERS, TOGETHER, RatioModel, differences
from legibility.evidence.validity import bounds

REPEATS: Final = 1000
"""Choice: resamples behind an interval."""
SEED: Final = 0
"""Choice: the same photos always give the same interval."""
TAILS: Final = (2.5, 97.5)
"""Choice: percentiles of an interval."""
PRIOR_ODDS: Final = (0.01, 0.1, 1.0, 10.0, 100.0)
"""Choice: prior odds of the first claim against the second that are shown."""
PRIOR_NEITHER: Final = (0.01, 0.1, 0.5)
"""Choice: prior probabilities of "neither" that are shown; the rest is shared evenly."""


@dataclass(frozen=True, slots=True)
class PhotoScores:
    """What the readers say of the claims in one photo."""

    photo: str
    sha256: str
    scores: Mapping[str, tuple[float, float, float]]
    """Reader -> log-likelihood of the first claim, the second, and "neither"; empty when nothing
    was read."""
    as_recorded: Mapping[str, tuple[float, float, float]]
    """The same if nothing could have gone wrong at application."""
    said: float = 1.0
    """How far the photo tells marks apart, 0..1."""

    def differences(self, first: int, second: int, *, recorded: bool = False) -> dict[str, float]:
        """Reader -> log-likelihood of one claim less that of another; silent readers 0."""
        scores = self.as_recorded if recorded else self.scores
        found = {reader: values[first] - values[second] for reader, values in scores.items()}
        return {reader: found.get(reader, 0.0) for reader in READERS}


@dataclass(frozen=True, slots=True)
class LogRatio:
    """A log likelihood ratio as reported, and before it was capped."""

    value: float
    """Natural logarithm, within the cap."""
    uncapped: float

    @property
    def capped(self) -> bool:
        """Whether the validation data support less than the readers say."""
        return self.value != self.uncapped


@dataclass(frozen=True, slots=True)
class Interval:
    """95 % interval of a log ratio by resampling."""

    source: str
    """What was resampled."""
    low: float
    """Within the cap."""
    high: float
    uncapped: tuple[float, float]
    """Both ends before the cap."""


@dataclass(frozen=True, slots=True)
class Variant:
    """The ratio under another choice."""

    name: str
    ratio: LogRatio


def pair_ratio(photos: Sequence[PhotoScores], model: RatioModel) -> LogRatio:
    """First claim against the second."""
    return _capped(_joint(photos, model, np.array(model.together)), model.cap)


def neither_ratio(photos: Sequence[PhotoScores], model: RatioModel, *, claim: int) -> LogRatio:
    """One claim (0 or 1) against "neither"."""
    weights = np.array(model.neither)
    if not any(photo.scores for photo in photos):
        return LogRatio(0.0, 0.0)
    per_photo = _per_photo(photos, weights[:-1], first=claim, second=2)
    total = float(rank_weights(per_photo, model.repeat) @ per_photo)
    said = max(photo.said for photo in photos if photo.scores)
    return _capped(total + float(weights[-1]) * said, model.cap_neither)


def photo_parts(photos: Sequence[PhotoScores], model: RatioModel) -> tuple[float, ...]:
    """What each photo adds to the uncapped log ratio; they sum to it."""
    per_photo = _per_photo(photos, np.array(model.together))
    return tuple(map(float, rank_weights(per_photo, model.repeat) * per_photo))


def variants(photos: Sequence[PhotoScores], model: RatioModel) -> tuple[Variant, ...]:
    """The ratio by each reader, under other temperings, without a possible application error."""
    found = [Variant("as reported", pair_ratio(photos, model))]
    names = {
        "pooled": "the three readers fused, needles not counted again",
        "network": "network alone",
        "needles": "needle model alone",
        "second": "second reader alone",
    }
    for reader in READERS:
        if any(reader in photo.scores for photo in photos):
            weight = np.array([model.alone[reader]])
            total = _joint(photos, model, weight, readers=(reader,))
            found.append(Variant(names[reader], _capped(total, model.cap)))
    weights = np.array(model.together)
    recorded = _joint(photos, model, weights, recorded=True)
    found.append(Variant("no error possible at application", _capped(recorded, model.cap)))
    raw = _joint(photos, replace(model, repeat=1.0), np.array([1.0]), readers=("pooled",))
    found.append(Variant("fused readers, not tempered", _capped(raw, model.cap)))
    if _speaking(photos) > 1:
        for name, repeat in (("photos independent", 1.0), ("strongest photo only", 0.0)):
            total = _joint(photos, replace(model, repeat=repeat), weights)
            found.append(Variant(name, _capped(total, model.cap)))
        for left in photos:
            rest = [photo for photo in photos if photo is not left]
            found.append(Variant(f"without {left.photo}", pair_ratio(rest, model)))
    return tuple(found)


def intervals(photos: Sequence[PhotoScores], model: RatioModel) -> tuple[Interval, ...]:
    """Uncertainty of the ratio from photos, from calibration data, and from both.

    The disputes that the weights were fitted on are drawn again with replacement, ear by ear, and
    the weights fitted anew; the disputes that the cap was measured on are drawn again too and give
    a cap of their own, so that a capped ratio is not shown as if it were exact. Of several photos,
    photos are drawn again as well. What the readers' own training adds is not in it. That the
    readers count no more than one of them says is a choice and not drawn again: no interval of the
    weights reaches beyond it.
    """
    rng = np.random.default_rng(SEED)
    refitted = _refitted(model, rng)
    base = np.tile(np.array(model.together), (REPEATS, 1))
    recapped = _recapped(model, refitted, rng)
    cap = np.tile(np.array(model.cap), (REPEATS, 1))
    speaking = [photo for photo in photos if photo.scores]
    if not speaking:
        return (Interval("no photo says anything", 0.0, 0.0, (0.0, 0.0)),)
    each = np.array(
        [[photo.differences(0, 1)[reader] for reader in TOGETHER] for photo in speaking]
    )
    order = np.argsort(-np.abs(each @ np.array(model.together)), kind="stable")
    each = each[order]
    once = np.ones((REPEATS, len(speaking)), dtype=np.int64)
    drawn = rng.multinomial(len(speaking), np.full(len(speaking), 1 / len(speaking)), REPEATS)

    def interval(
        source: str,
        weights: NDArray[np.float64],
        of: NDArray[np.int64],
        caps: NDArray[np.float64],
    ) -> Interval:
        totals = np.einsum("bk,kr,br->b", _rank_shares(of, model.repeat), each, weights)
        low, high = np.percentile(np.clip(totals, caps[:, 0], caps[:, 1]), TAILS)
        ends = np.percentile(totals, TAILS)
        return Interval(source, float(low), float(high), (float(ends[0]), float(ends[1])))

    found = [interval("calibration data", refitted, once, recapped)]
    if len(speaking) > 1:
        found.append(interval("photos", base, drawn, cap))
        found.append(interval("both", refitted, drawn, recapped))
    return tuple(found)


def pair_posteriors(log_ratio: float) -> tuple[tuple[float, float], ...]:
    """(prior odds, probability of the first claim) if one of the two claims is true."""
    return tuple(
        (odds, 1.0 / (1.0 + math.exp(-(math.log(odds) + log_ratio)))) for odds in PRIOR_ODDS
    )


def three_way_posteriors(
    log_ratio: float, against_neither: tuple[float, float]
) -> tuple[tuple[float, float, float, float], ...]:
    """(prior of neither, first, second, neither) with even priors of the claims.

    Parameters
    ----------
    log_ratio : float
        First claim against the second.
    against_neither : (float, float)
        Each claim against "neither". The better claim's is used, and the other claim stands below
        it by ``log_ratio``: the three ratios are fitted apart, and this keeps two of them.
    """
    best = max(against_neither)
    first, second = best + min(0.0, log_ratio), best - max(0.0, log_ratio)
    rows = []
    for prior in PRIOR_NEITHER:
        log_claim = math.log((1.0 - prior) / 2)
        values = np.array([log_claim + first, log_claim + second, math.log(prior)])
        shares = np.exp(values - values.max())
        shares /= shares.sum()
        rows.append((prior, float(shares[0]), float(shares[1]), float(shares[2])))
    return tuple(rows)


def one_ear_log_ratio(log_likelihoods: NDArray[np.float64], *, exponent: float) -> float:
    """How far photos speak for one mark in all of them, against a mark of its own in each.

    ``log [ mean_m prod_k p_k(m) / prod_k mean_m p_k(m) ]`` over marks taken as equally likely;
    strongly negative: the photos are of different ears.

    Parameters
    ----------
    log_likelihoods : (photos, marks)
    exponent : float
        Tempering of each photo.
    """
    values = exponent * np.asarray(log_likelihoods, dtype=np.float64)
    count = math.log(values.shape[1])
    joint = np.logaddexp.reduce(values.sum(axis=0)) - count
    apart = (np.logaddexp.reduce(values, axis=1) - count).sum()
    return float(joint - apart)


def _rank_shares(counts: NDArray[np.int64], repeat: float) -> NDArray[np.float64]:
    """(b, photos) summed weights of photos, strongest first, drawn so often each."""
    powers = np.concatenate([[0.0], np.cumsum(repeat ** np.arange(counts.sum(axis=1).max()))])
    after = np.cumsum(counts, axis=1)
    return np.asarray(powers[after] - powers[after - counts], dtype=np.float64)


def _refitted(model: RatioModel, rng: np.random.Generator) -> NDArray[np.float64]:
    ears = np.array([dispute.ear for dispute in model.fitted])
    names, group = np.unique(ears, return_inverse=True)
    drawn = rng.multinomial(len(names), np.full(len(names), 1 / len(names)), REPEATS)
    return fit_weights(differences(model.fitted), drawn[:, group].astype(np.float64))


def _recapped(
    model: RatioModel, refitted: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.float64]:
    """(b, 2) caps of held-out disputes drawn again, weighed with each fit of the weights."""
    ears = [dispute.ear for dispute in model.held_out]
    names, group = np.unique(ears, return_inverse=True)
    of_ear = [np.flatnonzero(group == ear) for ear in range(len(names))]
    raw = differences(model.held_out) @ refitted.T
    caps = np.empty((len(refitted), 2))
    for b, drawn in enumerate(rng.integers(len(names), size=(len(refitted), len(names)))):
        ratios = raw[np.concatenate([of_ear[ear] for ear in drawn]), b]
        caps[b] = bounds(ratios, -ratios)
    # Never wider than the reported one: chance must not lend more than the data support.
    caps[:, 0] = np.maximum(caps[:, 0], model.cap[0])
    caps[:, 1] = np.minimum(caps[:, 1], model.cap[1])
    return caps


def _joint(
    photos: Sequence[PhotoScores],
    model: RatioModel,
    weights: NDArray[np.float64],
    *,
    readers: Sequence[str] = TOGETHER,
    recorded: bool = False,
) -> float:
    per_photo = _per_photo(photos, weights, readers=readers, recorded=recorded)
    return float(rank_weights(per_photo, model.repeat) @ per_photo)


def _per_photo(
    photos: Sequence[PhotoScores],
    weights: NDArray[np.float64],
    *,
    readers: Sequence[str] = TOGETHER,
    first: int = 0,
    second: int = 1,
    recorded: bool = False,
) -> NDArray[np.float64]:
    rows = []
    for photo in photos:
        said = photo.differences(first, second, recorded=recorded)
        rows.append([said[reader] for reader in readers])
    said_by = np.array(rows, dtype=np.float64).reshape(len(photos), len(readers))
    # Not a matrix product: its last bits would depend on how many photos there are.
    return np.asarray((said_by * weights).sum(axis=1), dtype=np.float64)


def _speaking(photos: Sequence[PhotoScores]) -> int:
    """Photos in which something was read; the others say nothing and share nothing."""
    return sum(bool(photo.scores) for photo in photos)


def _capped(value: float, cap: tuple[float, float]) -> LogRatio:
    return LogRatio(min(max(value, cap[0]), cap[1]), value)
