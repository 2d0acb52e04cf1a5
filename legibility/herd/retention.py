"""Arithmetic of a report on how well marks and transponders last; exact where counts are small."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

CONFIDENCE: Final = 0.95
SAMPLES: Final = 2000
"""Choice: bootstrap samples of a mean time."""


@dataclass(frozen=True, slots=True)
class Paired:
    """Two methods on the same animals on the same days."""

    first: str
    second: str
    both: int
    only_first: int
    only_second: int
    neither: int
    p_value: float
    """Two-sided exact McNemar test."""
    low: float
    high: float
    """Exact interval of the share of discordant pairs in which the first one worked; 0.5 is "no
    difference"."""

    @property
    def n(self) -> int:
        """Pairs."""
        return self.both + self.only_first + self.only_second + self.neither

    @property
    def difference(self) -> float:
        """Share that the first identified minus share that the second did; NaN out of nothing."""
        return (self.only_first - self.only_second) / self.n if self.n else math.nan

    @property
    def verdict(self) -> str:
        """In words; one is called better only when the interval excludes "no difference"."""
        if self.only_first + self.only_second == 0:
            return "no animal on which they differed; the data say nothing of a difference"
        if self.low > 0.5:
            return f"{self.first} identified more often"
        if self.high < 0.5:
            return f"{self.second} identified more often"
        return "the data do not show which identifies more often"


@dataclass(frozen=True, slots=True)
class TimePerSuccess:
    """Time of all tries, failed ones too, over the number that identified the animal."""

    tries: int
    successes: int
    seconds: float
    """NaN without a success."""
    low: float
    high: float
    """Bootstrap percentiles; NaN with fewer than two tries."""


def rule_of_three(total: int) -> float:
    """Upper limit, about 95 % one-sided, of a share of which none was seen in ``total``.

    Hanley & Lippman-Hand 1983, JAMA 249:1743-1745, doi:10.1001/jama.1983.03330370053031.

    Examples
    --------
    >>> rule_of_three(1000)
    0.003
    """
    return min(1.0, 3.0 / total) if total > 0 else 1.0


def zero_limit(total: int, *, confidence: float = CONFIDENCE) -> float:
    """Exact one-sided upper limit of a share of which none was seen: ``1 - (1 - c)^(1/n)``."""
    return -math.expm1(math.log1p(-confidence) / total) if total > 0 else 1.0


def usable_share(present: float, readable: float) -> float:
    """Share of animals with a mark that can be read: P(present) P(readable where present)."""
    if not (0.0 <= present <= 1.0 and 0.0 <= readable <= 1.0):
        raise ValueError(f"shares are {present} and {readable}; expected 0 to 1")
    return present * readable


def mcnemar(
    first: str, second: str, *, both: int, only_first: int, only_second: int, neither: int
) -> Paired:
    """Compare two methods on the same animals.

    McNemar 1947, Psychometrika 12:153-157, doi:10.1007/BF02295996; exact by the binomial
    distribution of the discordant pairs, whose share has its Clopper-Pearson interval.
    """
    from scipy.stats import binom, binomtest

    apart = only_first + only_second
    if apart == 0:
        return Paired(first, second, both, 0, 0, neither, 1.0, 0.0, 1.0)
    p_value = min(1.0, 2.0 * float(binom.cdf(min(only_first, only_second), apart, 0.5)))
    limits = binomtest(only_first, apart).proportion_ci(CONFIDENCE, method="exact")
    return Paired(
        first, second, both, only_first, only_second, neither, p_value,
        float(limits.low), float(limits.high),
    )  # fmt: skip


def time_per_success(
    seconds: Sequence[float], success: Sequence[bool], *, seed: int = 1
) -> TimePerSuccess:
    """Ratio of all time to all successes, with its bootstrap interval over tries."""
    time = np.asarray(seconds, dtype=np.float64)
    won = np.asarray(success, dtype=np.float64)
    tries, wins = len(time), int(won.sum())
    nan = math.nan
    if wins == 0:
        return TimePerSuccess(tries, 0, nan, nan, nan)
    ratio = float(time.sum() / won.sum())
    if tries < 2:
        return TimePerSuccess(tries, wins, ratio, nan, nan)
    drawn = np.random.default_rng(seed).integers(0, tries, (SAMPLES, tries))
    sums, counts = time[drawn].sum(axis=1), won[drawn].sum(axis=1)
    with np.errstate(divide="ignore"):
        ratios = np.where(counts > 0, sums / np.maximum(counts, 1), np.inf)
    low, high = np.quantile(ratios, [0.025, 0.975], method="inverted_cdf")
    return TimePerSuccess(tries, wins, ratio, float(low), float(high))
