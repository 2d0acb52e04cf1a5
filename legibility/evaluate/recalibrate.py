"""Calibrates anew on photos whose animal is known, and says what that changes."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from legibility.containers import PhotoResult, Reading, Status
from legibility.errors import TableError
from legibility.evaluate.reliability import (
    BrierSplit,
    ReliabilityRow,
    brier_split,
    ece,
    reliability_table,
)
from legibility.evaluate.truth_table import TruthTable
from legibility.identify.animals import Registry
from legibility.identify.calibration import FinalCalibration
from legibility.identify.calibration_fit import cross_fitted, fit_final_calibration, set_scores
from legibility.identify.calibration_outcomes import Outcome, outcomes
from legibility.identify.conformal import score_limit, set_limits
from legibility.identify.decision import NO_MARK_PROBABILITY
from legibility.identify.herd_scores import HerdScores, herd_scores
from legibility.settings import Settings

LEAST_PHOTOS: Final = 50
"""Choice: 50 photos without a single failure still leave a risk of 1 in 52, so fewer could never
say more than 98 %; a 95 % set needs 19, and each of five folds ten to be judged by."""
ENOUGH_UNREGISTERED: Final = 20
"""Choice: with so many photos of animals that are not registered they speak for themselves (a 95 %
set needs 19); with fewer, every other photo counts a little as of an animal left out."""
NO_PHOTO: Final = "cannot be used as a photo"
BINS: Final = 10
"""Choice: of the reliability diagram, equally filled."""


@dataclass(frozen=True, slots=True)
class Promise:
    """How well stated probabilities were kept on the photos."""

    photos: int
    right: int
    """First candidates that were right."""
    mean_stated: float
    ece: float
    brier: BrierSplit
    log_score: float
    """Mean natural logarithm of the probability given to the truth."""
    covered: int | None
    """Photos whose candidate set holds the truth; None where there are too few for sets."""
    bins: tuple[ReliabilityRow, ...]


@dataclass(frozen=True, slots=True)
class Recalibration:
    """What ``legibility calibrate`` found."""

    calibration: FinalCalibration
    before: Promise
    """With the calibration used so far."""
    after: Promise
    """With calibrations fitted on the other photos; sets from the scores of all other photos."""
    given: int
    left_out: Mapping[str, int]
    """Why photos took no part, and how many."""
    coverage: float
    least_risk: float
    """No first candidate is ever given a smaller risk than about this."""

    @property
    def better(self) -> bool:
        """Whether the truth is more probable than before, judged on photos not fitted on."""
        return self.after.log_score > self.before.log_score


def known_records(
    table: TruthTable,
    results: Iterable[PhotoResult],
    registry: Registry,
    *,
    settings: Settings,
) -> tuple[list[HerdScores], dict[str, int]]:
    """Records of the photos that can be used, and why how many others cannot.

    Parameters
    ----------
    results : iterable of PhotoResult
        One for each photo of the table, in its order; a photo repeated byte by byte counts once.
    """
    ids = registry.columns["animal_id"]
    place = {ids[index]: index for index in range(len(ids))}
    left_out: Counter[str] = Counter()
    records, seen, first_error = [], set[str](), ""
    strangers = sum(not known.animal_id for known in table.photos)
    share = settings.not_registered_prior if strangers < ENOUGH_UNREGISTERED else 0.0
    for known, result in zip(table.photos, results, strict=True):
        reason = _unusable(result, seen)
        if reason == NO_PHOTO:
            first_error = first_error or " ".join(result.reasons)
            reason = f"{NO_PHOTO}, first {first_error}"
        if reason:
            left_out[reason] += 1
            continue
        seen.add(result.sha256)
        own: tuple[int, ...] = ()
        if known.animal_id:
            index = place[known.animal_id]
            alike = registry.find(registry.mark(index))
            own = (index, *(other for other in alike if other != index))
        record = herd_scores(
            result.reading,
            registry,
            own=own[:1],
            settings=settings,
            photo=result.sha256,
            condition="registered" if own else "not registered",
            weights=(1.0 - share, share if len(own) == 1 else 0.0),
        )
        records.append(record)
    return records, dict(left_out)


def _unusable(result: PhotoResult, seen: set[str]) -> str:
    if result.status is Status.ERROR:
        return NO_PHOTO
    if result.sha256 in seen:
        return "same file as another photo"
    if not _is_read(result.reading):
        return "nothing on it can be read as a mark"
    return ""


def _is_read(reading: Reading) -> bool:
    no_mark = math.exp(min(0.0, reading.logp_no_mark))
    return bool(reading.hypotheses) and no_mark < NO_MARK_PROBABILITY


def recalibrate(
    table: TruthTable,
    results: Iterable[PhotoResult],
    registry: Registry,
    *,
    settings: Settings,
    current: FinalCalibration,
    least_photos: int = LEAST_PHOTOS,
) -> Recalibration:
    """Fit on the photos of a table and report the promise kept before and after.

    The new candidate sets are scored with the calibration used so far, which has not seen these
    photos: that is what makes their coverage a guarantee. With few photos of animals that are not
    registered each other photo also counts, by the prior, as one of an animal left out.

    Raises
    ------
    TableError
        If fewer photos than ``least_photos`` can be used.
    """
    records, left_out = known_records(table, results, registry, settings=settings)
    if len(records) < least_photos:
        why = "; ".join(f"{count} {reason}" for reason, count in left_out.items())
        raise TableError(
            f"{table.name}: {len(records)} of {len(table.photos)} photos can be used"
            f"{f' ({why})' if why else ''}; expected at least {least_photos}: fewer cannot show "
            "whether probabilities near 1 are kept"
        )
    prior = settings.not_registered_prior
    ranks = replace(current, sets=(), scored_with=None)
    fitted = fit_final_calibration(
        records,
        not_registered_prior=prior,
        origin=f"{len(records)} photos of {table.name}, {registry.name} ({len(registry)} animals)",
    )
    fitted = replace(
        fitted,
        sets=set_scores(records, ranks, not_registered_prior=prior, any_size=True),
        scored_with=ranks,
    )
    coverage = settings.candidate_coverage
    before = _as_it_was(outcomes(records, current, not_registered_prior=prior), records)
    after = _as_it_was(cross_fitted(records, not_registered_prior=prior), records)
    ranked = _as_it_was(outcomes(records, ranks, not_registered_prior=prior), records)
    old = outcomes(records, current.scored_with or current, not_registered_prior=prior)
    limits = set_limits(current.sets, animals=len(registry), coverage=coverage)
    covered_before = [
        o.score <= (limits.registered if o.registered else limits.unregistered) + 1e-9
        for o in _as_it_was(old, records)
    ]
    return Recalibration(
        calibration=fitted,
        before=_promise(before, covered_before if math.isfinite(limits.registered) else None),
        after=_promise(after, _covered_by_the_others(ranked, fitted, coverage)),
        given=len(table.photos),
        left_out=left_out,
        coverage=coverage,
        least_risk=fitted.least_floor,
    )


def _as_it_was(found: Sequence[Outcome], records: Sequence[HerdScores]) -> list[Outcome]:
    """Outcomes of the photos as they were taken, in the order of the records."""
    truly = {record.photo: record.condition == "registered" for record in records}
    kept = {o.photo: o for o in found if o.registered == truly[o.photo]}
    return [kept[record.photo] for record in records]


def _covered_by_the_others(
    ranked: Sequence[Outcome], fitted: FinalCalibration, coverage: float
) -> list[bool] | None:
    """Whether each photo's truth is in the set that the scores of all other photos give."""
    (scores,) = fitted.sets
    result = []
    for outcome in ranked:
        mine = list(scores.registered if outcome.registered else scores.unregistered)
        mine.remove(min(mine, key=lambda s: abs(s - outcome.score)))
        limit = score_limit(mine, coverage=coverage)
        if not math.isfinite(limit):
            return None
        result.append(outcome.score <= limit + 1e-9)
    return result


def _promise(found: Sequence[Outcome], covered: Sequence[bool] | None) -> Promise:
    stated = [o.first for o in found]
    right = [o.right for o in found]
    return Promise(
        photos=len(found),
        right=sum(right),
        mean_stated=float(np.mean(stated)),
        ece=ece(stated, right, bins=BINS),
        brier=brier_split(stated, right, kind="mass", bins=BINS),
        log_score=float(np.mean([math.log(max(o.truth, 1e-300)) for o in found])),
        covered=None if covered is None else sum(covered),
        bins=reliability_table(stated, right, kind="mass", bins=BINS),
    )
