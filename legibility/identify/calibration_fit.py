"""Fits the final calibration on photos of known animals, each in one or many herds.

Records of one photo are not independent: folds, standard errors and the number that limits what
may be claimed go by photo.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.identify.calibration import (
    EXPONENTS,
    LARGEST_FLOOR,
    SHIFTS,
    FinalCalibration,
    SetScores,
    covariates,
    numbers,
)
from legibility.identify.calibration_flat import Flat
from legibility.identify.calibration_outcomes import Outcome, outcomes
from legibility.identify.herd_scores import HerdScores

FOLDS: Final = 5
"""Choice: parts the photos are divided into for cross-fitting."""
SLOPE_BOUNDS: Final = (-1.5, 1.5)
"""Choice: one unit of size is a tenfold registry, one of doubt 0.2 of certainty."""
SCORE_FOLDS: Final = 3
"""Choice: a third of the photos for the ranking, two thirds for the scores."""
LEAST_GAIN: Final = 0.001
"""Choice: nats a photo that slopes must bring."""
LEAST_SPREAD: Final = 0.1
"""Choice: standard deviation of size or doubt below which their slopes mean nothing."""
RIDGE: Final = 0.5
"""Choice: pull of the slopes towards zero, in nats over all photos for a slope of one."""

_SIZE: Final = ("exponent_size", "floor_size", "shift_size")
_DOUBT: Final = ("exponent_doubt", "floor_doubt")
MODELS: Final[tuple[tuple[str, ...], ...]] = ((), _SIZE, _DOUBT, (*_SIZE, *_DOUBT))
"""Which slopes may be fitted, simplest first."""


def photo_folds(photos: Sequence[str], *, folds: int = FOLDS) -> NDArray[np.int64]:
    """(n,) fold of each record; records of one photo are in one fold.

    Photos are dealt out in turn in the order they first occur.
    """
    order: dict[str, int] = {}
    for photo in photos:
        order.setdefault(photo, len(order))
    return np.array([order[photo] % folds for photo in photos], dtype=np.int64)


def fit_final_calibration(
    records: Sequence[HerdScores],
    *,
    not_registered_prior: float,
    origin: str = "",
    slopes: tuple[str, ...] | None = None,
) -> FinalCalibration:
    """Numbers of maximum likelihood.

    Parameters
    ----------
    records : sequence of HerdScores
        Of photos none of which was used to train or calibrate the readers.
    not_registered_prior : float, 0..1
    slopes : tuple of str, optional
        Fields that may differ from 0; by default those of :func:`wanted_slopes`.

    Raises
    ------
    ValueError
        If there is no record.
    """
    if not records:
        raise ValueError("no records to fit the final calibration on; expected at least one")
    if slopes is None:
        slopes = wanted_slopes(records, not_registered_prior=not_registered_prior)
    fitted = _fit(Flat.of(records, not_registered_prior), slopes)
    return replace(fitted, origin=origin)


def wanted_slopes(
    records: Sequence[HerdScores], *, not_registered_prior: float, folds: int = FOLDS
) -> tuple[str, ...]:
    """Slopes that the data ask for.

    Those that, cross-fitted by photo, raise the mean log-probability of the truth by more than its
    standard error (the one-standard-error rule, Breiman et al. 1984).
    """
    photos = [record.photo for record in records]
    if len(set(photos)) < 2 * folds:
        return ()
    fold = photo_folds(photos, folds=folds)
    whole = Flat.of(records, not_registered_prior)
    chosen: tuple[str, ...] = ()
    best = _held_out(records, fold, chosen, not_registered_prior)
    size, doubt = covariates(whole.animals, whole.certainty)
    for names in MODELS[1:]:
        if np.std(size) < LEAST_SPREAD and not set(names) <= {*_DOUBT}:
            continue
        if np.std(doubt) < LEAST_SPREAD and not set(names) <= {*_SIZE}:
            continue
        value = _held_out(records, fold, names, not_registered_prior)
        gain = whole.by_photo(value - best)
        if gain.mean() > max(LEAST_GAIN, float(gain.std(ddof=1)) / math.sqrt(gain.size)):
            chosen, best = names, value
    return chosen


def cross_fitted(
    records: Sequence[HerdScores], *, not_registered_prior: float, folds: int = FOLDS
) -> list[Outcome]:
    """What calibrations fitted on the other photos say of each record.

    Which slopes there are is settled on all of them; their values are not.
    """
    slopes = wanted_slopes(records, not_registered_prior=not_registered_prior, folds=folds)
    fold = photo_folds([record.photo for record in records], folds=folds)
    found: list[Outcome] = []
    for number in np.unique(fold):
        rest = [record for record, f in zip(records, fold, strict=True) if f != number]
        own = [record for record, f in zip(records, fold, strict=True) if f == number]
        fitted = fit_final_calibration(
            rest or own, not_registered_prior=not_registered_prior, slopes=slopes
        )
        found += outcomes(own, fitted, not_registered_prior=not_registered_prior)
    return found


def calibration_with_sets(
    records: Sequence[HerdScores], *, not_registered_prior: float, origin: str = ""
) -> FinalCalibration:
    """Numbers fitted on all photos, and scores for candidate sets.

    The scores are those of a calibration fitted on every ``SCORE_FOLDS``-th photo for all the
    others: split conformal prediction wants a score that has not seen the photos it is taken of.
    """
    fitted = fit_final_calibration(
        records, not_registered_prior=not_registered_prior, origin=origin
    )
    fold = photo_folds([record.photo for record in records], folds=SCORE_FOLDS)
    first = [record for record, f in zip(records, fold, strict=True) if f == 0]
    rest = [record for record, f in zip(records, fold, strict=True) if f != 0]
    ranks = fit_final_calibration(
        first, not_registered_prior=not_registered_prior, origin="ranks candidates for the sets"
    )
    sets = set_scores(rest, ranks, not_registered_prior=not_registered_prior)
    return replace(fitted, sets=sets, scored_with=ranks)


def set_scores(
    records: Sequence[HerdScores],
    calibration: FinalCalibration,
    *,
    not_registered_prior: float,
    any_size: bool = False,
) -> tuple[SetScores, ...]:
    """Conformal scores by size of the herd, one a photo and case.

    Parameters
    ----------
    records : sequence of HerdScores
        Of photos that ``calibration`` was not fitted on; at most one for a photo and size.
    calibration : FinalCalibration
        Ranks the candidates.
    any_size : bool
        Put all under one size, 0.
    """
    found: dict[int, tuple[list[float], list[float]]] = {}
    for outcome in outcomes(records, calibration, not_registered_prior=not_registered_prior):
        pair = found.setdefault(0 if any_size else outcome.animals, ([], []))
        pair[0 if outcome.registered else 1].append(outcome.score)
    return tuple(
        SetScores(animals, *(tuple(sorted(scores)) for scores in found[animals]))
        for animals in sorted(found)
    )


def calibration_words(calibration: FinalCalibration) -> str:
    """The numbers of a calibration on one line."""
    slopes = " ".join(
        f"{name} {value:+.3f}" for name in MODELS[-1] if (value := getattr(calibration, name))
    )
    return (
        f"{calibration.photos_fitted} photos, {calibration.records_fitted} records: "
        f"exponent {calibration.exponent:.3f}, floor {calibration.floor:.4f}, "
        f"shift {calibration.not_registered_shift:+.3f}; {slopes or 'no slopes asked for'}"
    )


def _held_out(
    records: Sequence[HerdScores],
    fold: NDArray[np.int64],
    names: tuple[str, ...],
    prior: float,
) -> NDArray[np.float64]:
    """(records,) log-probability of the truth by a fit on the other folds."""
    value = np.zeros(len(records))
    start = _fit(Flat.of(records, prior), names)
    for number in np.unique(fold):
        inside = np.flatnonzero(fold == number)
        rest = Flat.of([r for r, f in zip(records, fold, strict=True) if f != number], prior)
        fitted = _fit(rest, names, start=start)
        value[inside] = Flat.of([records[int(i)] for i in inside], prior).log_truth(fitted)
    return value


def _fit(
    flat: Flat, names: tuple[str, ...], *, start: FinalCalibration | None = None
) -> FinalCalibration:
    from scipy.optimize import minimize

    lowest = 1.0 / (flat.photos + 2)
    made = FinalCalibration(photos_fitted=flat.photos, records_fitted=flat.records)
    left_out = bool(np.any(flat.weights[:, 1] > 0))

    size, doubt = covariates(flat.animals, flat.certainty)

    def calibration(values: NDArray[np.float64]) -> FinalCalibration:
        slopes = dict(zip(names, values[3:].tolist(), strict=False))
        return replace(
            made,
            exponent=float(math.exp(values[0])),
            floor=float(math.exp(values[1])),
            not_registered_shift=float(values[2]),
            **slopes,
        )

    def loss(values: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        made, sloped = calibration(values), values.size > 3
        log_p, (by_exponent, by_floor, by_shift) = flat.log_truth_and_slopes(made)
        chosen = numbers(made, flat.animals, flat.certainty)
        by_exponent = by_exponent * chosen.exponent
        held = ((chosen.floor <= lowest) | (chosen.floor >= LARGEST_FLOOR)) & sloped
        by_floor = np.where(held, 0.0, by_floor * chosen.floor * (1.0 - chosen.floor))
        by_name = {
            "exponent_size": by_exponent * size,
            "exponent_doubt": -by_exponent * doubt,
            "floor_size": by_floor * size,
            "floor_doubt": by_floor * doubt,
            "shift_size": by_shift * size,
        }
        rows = [by_exponent, by_floor / (1.0 - made.floor), by_shift]
        rows += [by_name[name] for name in names[: values.size - 3]]
        pull = RIDGE / flat.photos
        slopes = -np.array([float(np.mean(flat.by_photo(row))) for row in rows])
        slopes[3:] += 2.0 * pull * values[3:]
        mean = float(np.mean(flat.by_photo(log_p)))
        return -mean + pull * float(np.sum(values[3:] ** 2)), slopes

    bounds = [
        tuple(np.log(EXPONENTS)),
        tuple(np.log([lowest, max(LARGEST_FLOOR, lowest)])),
        SHIFTS if left_out else (0.0, 0.0),
    ]
    if start is None:
        first = np.array([0.0, math.log(max(0.01, lowest)), 0.0])
    else:
        floor = min(max(start.floor, lowest), max(LARGEST_FLOOR, lowest))
        first = np.array([math.log(start.exponent), math.log(floor), start.not_registered_shift])
    if start is None or not names:
        first = minimize(loss, first, jac=True, method="L-BFGS-B", bounds=bounds).x
    if names:
        bounds += [(0.0, SLOPE_BOUNDS[1]) if name in _DOUBT else SLOPE_BOUNDS for name in names]
        slopes = [1e-3 if start is None else getattr(start, name) for name in names]
        first = np.concatenate([first, slopes])
        first = minimize(loss, first, jac=True, method="L-BFGS-B", bounds=bounds).x
    return calibration(first)
