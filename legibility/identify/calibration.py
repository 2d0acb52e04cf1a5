"""Calibration of the final probability.

Dropping the impossible answers and renormalising over a registry is too optimistic: Rouder 2004,
Psychol. Rev. 111:80-93, found measured performance worse than that rule predicts. So

    p(a) = (1 - lam) softmax_a( log prior(a) + tau l(a) + beta(a) ) + lam prior(a)

with l the log-likelihoods and beta(a) = beta for "not registered", else 0. The three numbers are
fitted by maximum likelihood on photos whose animal is known; lam is the probability that something
else went wrong and the photo says nothing.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from legibility.errors import ModelError

DEFAULT_FILE: Final = Path(__file__).parent.parent / "models" / "calibration.json"

_EXPONENTS: Final = (0.02, 3.0)
_SHIFTS: Final = (-20.0, 20.0)
_LARGEST_FLOOR: Final = 0.9


@dataclass(frozen=True, slots=True)
class FinalCalibration:
    """How log-likelihoods become probabilities one can rely on."""

    exponent: float = 0.9
    """tau; choice until fitted. Below 1 takes certainty away."""
    floor: float = 0.005
    """lam; choice until fitted: something else went wrong and the photo says nothing."""
    not_registered_shift: float = 0.0
    """beta; added to the log-likelihood of "not registered"."""
    photos_fitted: int = 0
    """Photos that exponent, floor and shift were fitted on; 0 = they are choices."""
    scores: tuple[float, ...] = ()
    """Conformal scores of other photos, see :mod:`legibility.identify.conformal`; empty = none."""
    origin: str = "not fitted: default choices"
    """Where the numbers are from, in words."""


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """One photo of a known animal."""

    log_likelihood: NDArray[np.float64]
    """(n + 1,): the registry's animals and, last, "not registered"."""
    truth: int
    """Index of the true one; n when it is not registered."""
    logp_no_mark: float = -np.inf
    """As in the reading: log-probability that the picture shows no readable mark."""


def log_prior(animals: int, *, not_registered: float) -> NDArray[np.float64]:
    """(animals + 1,) log prior: registered animals alike, and last "not registered"."""
    with np.errstate(divide="ignore"):
        prior = np.full(animals + 1, np.log1p(-not_registered) - np.log(max(animals, 1)))
        prior[-1] = np.log(not_registered) if animals else 0.0
    return prior


def posterior(
    log_likelihood: NDArray[np.float64],
    *,
    not_registered_prior: float,
    calibration: FinalCalibration,
    logp_no_mark: float = -np.inf,
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

    Returns
    -------
    ndarray of float64, (n + 1,)
        Sums to one.
    """
    prior = log_prior(log_likelihood.size - 1, not_registered=not_registered_prior)
    best = float(np.max(log_likelihood))
    if not np.isfinite(best):
        return np.exp(prior)
    score = calibration.exponent * (log_likelihood - best)
    score[-1] += calibration.not_registered_shift
    weighted = score + prior
    explained = float(np.logaddexp.reduce(weighted) - score[-1])
    nothing = _share_of_chance(np.exp(min(0.0, logp_no_mark)), max(0.0, explained))
    informed = np.exp(weighted - np.max(weighted))
    informed /= informed.sum()
    nothing = calibration.floor + (1.0 - calibration.floor) * nothing
    return np.asarray((1.0 - nothing) * informed + nothing * np.exp(prior), dtype=np.float64)


def _share_of_chance(no_mark: Any, log_ratio: Any) -> Any:
    """Probability of "no mark" after a likelihood ratio ``exp(log_ratio)`` for a mark."""
    return no_mark / (no_mark + (1.0 - no_mark) * np.exp(np.minimum(log_ratio, 500.0)))


def fit_final_calibration(
    records: Sequence[CalibrationRecord], *, not_registered_prior: float, origin: str = ""
) -> FinalCalibration:
    """Exponent, floor and shift of maximum likelihood.

    The floor is kept at ``1 / (n + 2)`` or above: n photos cannot show a smaller risk (rule of
    succession). Without an unregistered animal among the records the shift stays 0.

    Parameters
    ----------
    records : sequence of CalibrationRecord
        Photos of known animals, none of which was used to train or calibrate the readers.
    not_registered_prior : float, 0..1
    origin : str
        What the photos were, in words.

    Raises
    ------
    ValueError
        If there is no record.
    """
    if not records:
        raise ValueError("no records to fit the final calibration on; expected at least one")
    from scipy.optimize import minimize

    flat = _Flat.of(records, not_registered_prior)
    lowest = 1.0 / (len(records) + 2)
    unregistered = any(record.truth == record.log_likelihood.size - 1 for record in records)
    bounds = [
        tuple(np.log(_EXPONENTS)),
        tuple(np.log([lowest, max(_LARGEST_FLOOR, lowest)])),
        _SHIFTS if unregistered else (0.0, 0.0),
    ]

    def loss(values: NDArray[np.float64]) -> float:
        exponent, floor, shift = np.exp(values[0]), np.exp(values[1]), values[2]
        return -float(np.mean(flat.log_truth(float(exponent), float(floor), float(shift))))

    starts = [(0.0, np.log(max(0.01, lowest)), 0.0), (-1.0, np.log(max(0.05, lowest)), 0.0)]
    fits = [minimize(loss, start, method="L-BFGS-B", bounds=bounds) for start in starts]
    best = min(fits, key=lambda fit: float(fit.fun))
    return FinalCalibration(
        exponent=float(np.exp(best.x[0])),
        floor=float(np.exp(best.x[1])),
        not_registered_shift=float(best.x[2]),
        photos_fitted=len(records),
        origin=origin,
    )


@dataclass(frozen=True, slots=True)
class _Flat:
    """Records of different lengths end to end, for one pass of arithmetic."""

    scores: NDArray[np.float64]
    priors: NDArray[np.float64]
    starts: NDArray[np.int64]
    lengths: NDArray[np.int64]
    truths: NDArray[np.int64]
    no_mark: NDArray[np.float64]

    @classmethod
    def of(cls, records: Sequence[CalibrationRecord], not_registered: float) -> _Flat:
        lengths = np.array([record.log_likelihood.size for record in records], dtype=np.int64)
        starts = np.concatenate([[0], np.cumsum(lengths)[:-1]]).astype(np.int64)
        with np.errstate(invalid="ignore"):
            scores = [r.log_likelihood - np.max(r.log_likelihood) for r in records]
        return cls(
            scores=np.nan_to_num(np.concatenate(scores), nan=0.0, neginf=-1e6),
            priors=np.concatenate(
                [log_prior(n - 1, not_registered=not_registered) for n in lengths]
            ),
            starts=starts,
            lengths=lengths,
            truths=starts + np.array([record.truth for record in records], dtype=np.int64),
            no_mark=np.exp([min(0.0, record.logp_no_mark) for record in records]),
        )

    def log_truth(self, exponent: float, floor: float, shift: float) -> NDArray[np.float64]:
        """(records,) log-probability given to the truth."""
        values = exponent * self.scores
        lasts = self.starts + self.lengths - 1
        values[lasts] += shift
        last = values[lasts]
        values = values + self.priors
        top = np.maximum.reduceat(values, self.starts)
        total = np.add.reduceat(np.exp(values - np.repeat(top, self.lengths)), self.starts)
        explained = np.maximum(top + np.log(total) - last, 0.0)
        informed = np.exp(values[self.truths] - top) / total
        nothing = floor + (1.0 - floor) * _share_of_chance(self.no_mark, explained)
        likelihood = (1.0 - nothing) * informed + nothing * np.exp(self.priors[self.truths])
        return np.asarray(np.log(np.maximum(likelihood, 1e-300)), dtype=np.float64)


def load_final_calibration(path: Path | None = None) -> FinalCalibration:
    """Calibration from a JSON file, by default the one shipped with the models.

    The file is one object whose keys are the fields of :class:`FinalCalibration`; those left out
    have their defaults. A missing default file gives the defaults; a missing file that was asked
    for is an error.

    Raises
    ------
    ModelError
        If the file cannot be read, or a field is unknown, of the wrong type or out of range.
    """
    if path is None:
        if not DEFAULT_FILE.exists():
            return FinalCalibration()
        path = DEFAULT_FILE
    try:
        values = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise ModelError(f"{path}: cannot be read as a calibration: {error}") from error
    if not isinstance(values, dict):
        raise ModelError(f"{path}: found {type(values).__name__}; expected one JSON object")
    return FinalCalibration(**{name: _field(path, name, value) for name, value in values.items()})


def save_final_calibration(calibration: FinalCalibration, path: Path) -> None:
    """Writes a calibration to a temporary file beside ``path``, then renames it."""
    values = {name: getattr(calibration, name) for name in FinalCalibration.__slots__}
    values["scores"] = [round(score, 9) for score in sorted(calibration.scores)]
    temporary = path.with_name(path.name + ".part")
    temporary.write_text(json.dumps(values, indent=1) + "\n", encoding="utf-8")
    temporary.replace(path)


def _field(path: Path, name: str, value: object) -> Any:
    limits = {
        "exponent": _EXPONENTS,
        "floor": (0.0, _LARGEST_FLOOR),
        "not_registered_shift": _SHIFTS,
    }
    if name == "origin" and isinstance(value, str):
        return value
    if name == "photos_fitted" and type(value) is int and value >= 0:
        return value
    if name in limits and isinstance(value, int | float) and not isinstance(value, bool):
        low, high = limits[name]
        if low <= value <= high:
            return float(value)
        raise ModelError(f"{path}: {name} is {value}; expected {low} to {high}")
    if name == "scores" and isinstance(value, list):
        if all(isinstance(s, int | float) and 0 <= s <= 1 for s in value):
            return tuple(float(score) for score in value)
        raise ModelError(f"{path}: scores has an entry outside 0..1")
    known = ", ".join(FinalCalibration.__slots__)
    raise ModelError(f"{path}: {name} is {value!r:.60}; expected one of {known}, each of its type")
