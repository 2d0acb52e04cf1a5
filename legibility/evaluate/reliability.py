"""Whether stated probabilities keep their promise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from legibility.intervals import Rate, rate

BINS: Final = 15
"""Guo et al. 2017, "On calibration of modern neural networks", use 15."""


@dataclass(frozen=True, slots=True)
class ReliabilityRow:
    """One bin of a reliability table."""

    low: float
    high: float
    mean_probability: float
    right: Rate


@dataclass(frozen=True, slots=True)
class BrierSplit:
    """Murphy's split: ``score = reliability - resolution + uncertainty + within``."""

    score: float
    reliability: float
    resolution: float
    uncertainty: float
    within: float
    """What binning hides: zero when all probabilities of a bin are equal."""


def _checked(
    probability: ArrayLike, right: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    p = np.asarray(probability, dtype=np.float64).ravel()
    y = np.asarray(right, dtype=np.float64).ravel()
    if len(p) != len(y):
        raise ValueError(f"{len(p)} probabilities and {len(y)} outcomes; expected as many")
    if len(p) and not (np.all(p >= -1e-9) and np.all(p <= 1 + 1e-9)):
        raise ValueError("a probability lies outside 0..1")
    return np.clip(p, 0.0, 1.0), y


def _bins(
    p: NDArray[np.float64], *, kind: Literal["mass", "width"], bins: int
) -> list[NDArray[np.int64]]:
    if kind == "width":
        label = np.minimum((p * bins).astype(int), bins - 1)
        groups = [np.flatnonzero(label == b) for b in range(bins)]
    else:
        groups = np.array_split(np.argsort(p, kind="stable"), bins)
    return [np.asarray(group, dtype=np.int64) for group in groups if len(group)]


def ece(
    probability: ArrayLike,
    right: ArrayLike,
    *,
    kind: Literal["mass", "width"] = "mass",
    bins: int = BINS,
) -> float:
    """Expected calibration error: mean gap between stated and observed, weighted by bin size.

    Parameters
    ----------
    probability : array_like of float, (n,)
        Stated for the answer given, 0..1.
    right : array_like of bool, (n,)
    kind : {"mass", "width"}
        Bins of equal counts, or of equal width.
    bins : int

    Returns
    -------
    float
        0..1; NaN for no answers.
    """
    p, y = _checked(probability, right)
    if not len(p):
        return float("nan")
    gaps = [
        len(group) * abs(float(p[group].mean() - y[group].mean()))
        for group in _bins(p, kind=kind, bins=bins)
    ]
    return float(sum(gaps) / len(p))


def reliability_table(
    probability: ArrayLike,
    right: ArrayLike,
    *,
    kind: Literal["mass", "width"] = "width",
    bins: int = BINS,
) -> tuple[ReliabilityRow, ...]:
    """Stated against observed, bin by bin; empty bins are left out."""
    p, y = _checked(probability, right)
    return tuple(
        ReliabilityRow(
            low=float(p[group].min()),
            high=float(p[group].max()),
            mean_probability=float(p[group].mean()),
            right=rate(int(y[group].sum()), len(group)),
        )
        for group in _bins(p, kind=kind, bins=bins)
    )


def brier(probability: ArrayLike, right: ArrayLike) -> float:
    """Mean squared difference of stated probability and outcome (Brier 1950)."""
    p, y = _checked(probability, right)
    return float(np.mean((p - y) ** 2)) if len(p) else float("nan")


def brier_split(
    probability: ArrayLike,
    right: ArrayLike,
    *,
    kind: Literal["mass", "width"] = "width",
    bins: int = BINS,
) -> BrierSplit:
    """Murphy 1973, J. Appl. Meteorol. 12:595-600, with the within-bin rest of Stephenson 2008.

    Weather and Forecasting 23:752-757 adds the within-bin variance and covariance, so that the
    parts sum to the score for any binning.
    """
    p, y = _checked(probability, right)
    if not len(p):
        nothing = float("nan")
        return BrierSplit(nothing, nothing, nothing, nothing, nothing)
    base = float(y.mean())
    reliability = resolution = 0.0
    for group in _bins(p, kind=kind, bins=bins):
        share = len(group) / len(p)
        reliability += share * float(p[group].mean() - y[group].mean()) ** 2
        resolution += share * float(y[group].mean() - base) ** 2
    score = brier(p, y)
    uncertainty = base * (1 - base)
    within = score - (reliability - resolution + uncertainty)
    return BrierSplit(score, reliability, resolution, uncertainty, within)
