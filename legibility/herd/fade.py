"""How marks become unusable with time: from the herd's own data, or openly assumed.

What the curve rests on is part of it. Without enough data it is an assumption; where marks were
followed and none was lost it does not fall, and what such a herd may still hide is its lower limit;
otherwise it is fitted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from legibility.herd.intervals import Floats, Spans, resampled
from legibility.herd.weibull import Weibull, fit_weibull

LEAST_MARKS: Final = 20
"""Choice: with fewer marks seen more than once, or seen lost, the assumption is shown instead."""
LEAST_LOST_FOR_SHAPE: Final = 5
"""Choice: with fewer losses the shape is held at 1 (the same risk at any age)."""
ASSUMED_SHAPE: Final = 1.5
ASSUMED_SCALE_YEARS: Final = 5.0
"""Assumption, no source: 78 % usable after 2 years, 37 % after 5. Practice says that often only a
couple of characters of a two-year-old can be read; no published curve for ear marks was found."""
ASSUMED_LOSS_A_YEAR: Final[Mapping[str, float]] = {
    "0-1": 0.70,
    "1-2": 0.35,
    "2-3": 0.15,
    "3-4": 0.05,
}
"""Assumption, no source, as ``worklist.LOSS_BY_GRADE``: chance that a mark of such a grade is lost
within a year."""
ONE_SIDED: Final = 0.05
"""Choice: a limit that is missed in one case of twenty."""


class Basis(StrEnum):
    """What a curve rests on."""

    ASSUMPTION = "assumption"
    NO_LOSS = "no loss seen"
    FITTED = "fitted"


@dataclass(frozen=True, slots=True)
class Fade:
    """Share of marks still usable by time, in years."""

    basis: Basis
    curve: Weibull | None
    """None where no loss was seen: the curve stays at 1."""
    marks: int
    lost: int
    longest: float
    """Beyond this time the curve is an extrapolation."""
    loss_rate_limit: float
    """Upper limit of losses a mark-year where none was seen, one-sided 95 %; else NaN."""
    names: tuple[str, ...] = ()
    levels: tuple[tuple[str, ...], ...] = ()
    samples: tuple[Weibull, ...] = ()
    """Bootstrap fits."""
    assumed_loss_a_year: Mapping[str, float] = field(default_factory=dict)
    """By class of the first property, instead of a curve."""
    unit: str = "marks"
    """What was followed: marks from their application, or sightings to the next one."""

    def effect(self, classes: Mapping[str, str], *, curve: Weibull | None = None) -> float:
        """Sum of the effects of a mark's classes; unknown classes have none."""
        used = curve or self.curve
        if used is None:
            return 0.0
        total = 0.0
        for name, levels, effects in zip(self.names, self.levels, used.effects, strict=False):
            value = classes.get(name, "")
            if len(effects) and value in levels:
                total += float(effects[levels.index(value)])
        return total

    def survival(
        self, at: ArrayLike, *, effect: ArrayLike = 0.0, curve: Weibull | None = None
    ) -> Floats:
        """Share usable after some years; the limit's companion is :meth:`lowest`."""
        return np.asarray(np.exp(-self.hazard(at, effect=effect, curve=curve)), np.float64)

    def hazard(
        self, at: ArrayLike, *, effect: ArrayLike = 0.0, curve: Weibull | None = None
    ) -> Floats:
        """Cumulative hazard, the negative logarithm of the share usable."""
        times = np.maximum(np.asarray(at, dtype=np.float64), 0.0)
        used = curve or self.curve
        if used is None:
            return np.zeros(np.broadcast_shapes(times.shape, np.shape(effect)))
        # In logarithms: a curve that levels off has a shape near 0 and a scale beyond all numbers.
        centre = used.log_scale + np.asarray(effect, dtype=np.float64)
        exponent = used.shape * (np.log(np.maximum(times, 1e-300)) - centre)
        rise = np.exp(np.minimum(exponent, 700.0))
        return np.asarray(np.where(times > 0, rise, 0.0), dtype=np.float64)

    def lost_between(self, seen: ArrayLike, later: ArrayLike, *, effect: ArrayLike = 0.0) -> Floats:
        """Probability that a mark usable at the age ``seen`` is lost by the age ``later``."""
        rise = self.hazard(later, effect=effect) - self.hazard(seen, effect=effect)
        return np.asarray(-np.expm1(-np.maximum(rise, 0.0)), dtype=np.float64)

    def years_until(self, seen: ArrayLike, share: float, *, effect: ArrayLike = 0.0) -> Floats:
        """Years after ``seen`` until ``lost_between`` reaches a share; infinite for never."""
        times = np.maximum(np.asarray(seen, dtype=np.float64), 0.0)
        if self.curve is None:
            return np.full(np.broadcast_shapes(times.shape, np.shape(effect)), np.inf)
        centre = self.curve.log_scale + np.asarray(effect, dtype=np.float64)
        wanted = self.hazard(times, effect=effect) - math.log1p(-share)
        ahead = np.exp(np.minimum(centre + np.log(wanted) / self.curve.shape, 700.0))
        return np.asarray(ahead - times, dtype=np.float64)

    def limits(self, at: ArrayLike, *, confidence: float = 0.95) -> tuple[Floats, Floats]:
        """Interval of ``survival``: bootstrap percentiles, or the limit where no loss was seen.

        NaN for an assumption: nothing was measured.
        """
        times = np.asarray(at, dtype=np.float64)
        if self.basis is Basis.NO_LOSS:
            return np.exp(-self.loss_rate_limit * times), np.ones(times.shape)
        if not self.samples:
            return np.full(times.shape, np.nan), np.full(times.shape, np.nan)
        curves = np.array([self.survival(times, curve=curve) for curve in self.samples])
        tail = 100 * (1 - confidence) / 2
        low, high = np.percentile(curves, [tail, 100 - tail], axis=0)
        return low, high

    @property
    def words(self) -> str:
        """What the curve rests on, as a sentence."""
        if self.basis is Basis.ASSUMPTION:
            return (
                f"This curve is an assumption, not a measurement: the record holds {self.marks} "
                f"{self.unit} that could be followed, and {LEAST_MARKS} are needed."
            )
        if self.basis is Basis.NO_LOSS:
            return (
                f"None of {self.marks} {self.unit} that were followed ended in loss, so that no "
                f"decay is assumed; up to {100 * -math.expm1(-self.loss_rate_limit):.1f} % a year "
                "would still be compatible with that (exact one-sided 95 % limit, the same risk at "
                "any age)."
            )
        return (
            f"Fitted to {self.marks} {self.unit} of this record, {self.lost} of which ended in "
            f"loss; beyond {self.longest:.1f} years it is an extrapolation."
        )


def fit_fade(
    data: Spans,
    *,
    shape: float | None = None,
    bootstrap: int = 0,
    seed: int = 1,
    assumed_loss_a_year: Mapping[str, float] | None = None,
) -> Fade:
    """The curve that the data support.

    Parameters
    ----------
    data : Spans
        Years until marks were lost, with their properties.
    shape : float, optional
        Held at this value.
    bootstrap : int
        Samples for intervals: marks are drawn anew, the spreads stay as they were chosen.
    assumed_loss_a_year : mapping, optional
        Assumption by class of the first property, where it is more to the point than the curve.
    """
    followed = data.with_count(np.where(np.isfinite(data.right) | (data.left > 0), data.count, 0))
    marks, lost = followed.total, followed.lost
    if marks < LEAST_MARKS:
        return assumed_fade(
            marks=marks,
            lost=lost,
            names=data.names,
            levels=data.levels,
            by_class=assumed_loss_a_year,
        )
    if lost == 0:
        limit = -math.log(ONE_SIDED) / followed.exposure
        return Fade(Basis.NO_LOSS, None, marks, 0, followed.longest, limit, data.names, data.levels)
    if shape is None and lost < LEAST_LOST_FOR_SHAPE:
        shape = 1.0
    curve = fit_weibull(followed, shape=shape)
    rng = np.random.default_rng(seed)
    drawn = (resampled(followed, rng) for _ in range(bootstrap))
    fits = tuple(
        fit_weibull(sample, shape=shape, spreads=curve.spreads, start=curve)
        for sample in drawn
        if sample.lost
    )
    longest, nan = followed.longest, math.nan
    return Fade(Basis.FITTED, curve, marks, lost, longest, nan, data.names, data.levels, fits)


def assumed_fade(
    *,
    marks: int = 0,
    lost: int = 0,
    names: tuple[str, ...] = (),
    levels: tuple[tuple[str, ...], ...] = (),
    by_class: Mapping[str, float] | None = None,
) -> Fade:
    """The default curve; or one of the same risk at any time, by class of the first property."""
    if by_class:
        classes = tuple(by_class)
        scales = np.array([-1 / math.log1p(-by_class[name]) for name in classes])
        curve = _plain(1.0, 0.0, (np.log(scales),))
        return Fade(
            Basis.ASSUMPTION,
            curve,
            marks,
            lost,
            0.0,
            math.nan,
            names[:1] or ("class",),
            (classes,),
            assumed_loss_a_year=dict(by_class),
        )
    curve = _plain(ASSUMED_SHAPE, math.log(ASSUMED_SCALE_YEARS), ())
    return Fade(Basis.ASSUMPTION, curve, marks, lost, 0.0, math.nan, names, levels)


def _plain(shape: float, log_scale: float, effects: tuple[Floats, ...]) -> Weibull:
    nan = math.nan
    return Weibull(shape, log_scale, effects, (nan,) * len(effects), nan, nan, nan, nan)
