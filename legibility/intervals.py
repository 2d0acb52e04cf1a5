"""Intervals for a share of a count, so that no rate is reported without its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist


@dataclass(frozen=True, slots=True)
class Rate:
    """A count out of a total, with its interval."""

    count: int
    total: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """The share; NaN out of nothing."""
        return self.count / self.total if self.total else float("nan")


def wilson(count: int, total: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Score interval without continuity correction.

    Wilson 1927; Newcombe 1998, Stat. Med. 17:857-872, method 3.

    Raises
    ------
    ValueError
        If not 0 <= count <= total, or total is 0.
    """
    _check(count, total)
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    share, extra = count / total, z * z / total
    middle = (share + extra / 2) / (1 + extra)
    half = z / (1 + extra) * (share * (1 - share) / total + extra / (4 * total)) ** 0.5
    low = 0.0 if count == 0 else middle - half
    high = 1.0 if count == total else middle + half
    return max(0.0, low), min(1.0, high)


def clopper_pearson(count: int, total: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Exact binomial interval.

    Clopper & Pearson 1934, Biometrika 26:404-413.

    Raises
    ------
    ValueError
        If not 0 <= count <= total, or total is 0.
    """
    from scipy.special import betaincinv

    _check(count, total)
    tail = (1 - confidence) / 2
    low = 0.0 if count == 0 else float(betaincinv(count, total - count + 1, tail))
    high = 1.0 if count == total else float(betaincinv(count + 1, total - count, 1 - tail))
    return low, high


def rate(count: int, total: int) -> Rate:
    """A rate with its Clopper-Pearson 95 % interval; 0..1 out of nothing."""
    if total == 0:
        return Rate(0, 0, 0.0, 1.0)
    return Rate(count, total, *clopper_pearson(count, total))


def _check(count: int, total: int) -> None:
    if total <= 0 or not 0 <= count <= total:
        raise ValueError(f"{count} of {total} is no share; expected 0 <= count <= total, total > 0")
