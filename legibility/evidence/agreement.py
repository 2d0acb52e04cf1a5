"""Agreement of readers: kappa, weighted kappa, alpha with missing reads, exact intervals.

Everything here is arithmetic on labels; what the labels are is the caller's business.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Weights: TypeAlias = Literal["none", "linear", "quadratic"]
Level: TypeAlias = Literal["nominal", "ordinal", "interval", "ratio"]

CONFIDENCE: Final = 0.95
"""Choice: confidence of all intervals."""
SAMPLES: Final = 200
"""Choice: bootstrap samples of alpha."""


@dataclass(frozen=True, slots=True)
class Share:
    """A count out of a total with its exact interval."""

    count: int
    total: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """The share; NaN out of nothing."""
        return self.count / self.total if self.total else float("nan")


@dataclass(frozen=True, slots=True)
class Kappa:
    """Agreement of two readers beyond chance."""

    value: float
    """1 complete, 0 as by chance; NaN where chance alone agrees always."""
    standard_error: float
    low: float
    high: float
    observed: float
    """Agreement seen, 0..1; with weights, of weighted agreement."""
    expected: float
    """Agreement by chance."""
    n: int


def exact_share(count: int, total: int, *, confidence: float = CONFIDENCE) -> Share:
    """A share with its Clopper-Pearson interval; 0..1 out of nothing.

    Clopper & Pearson 1934, Biometrika 26:404-413, doi:10.1093/biomet/26.4.404.

    Raises
    ------
    ValueError
        If not 0 <= count <= total.
    """
    if not 0 <= count <= total:
        raise ValueError(f"{count} of {total} is no share; expected 0 <= count <= total")
    if total == 0:
        return Share(0, 0, 0.0, 1.0)
    from scipy.special import betaincinv

    tail = (1 - confidence) / 2
    low = 0.0 if count == 0 else float(betaincinv(count, total - count + 1, tail))
    high = 1.0 if count == total else float(betaincinv(count + 1, total - count, 1 - tail))
    return Share(count, total, low, high)


def agreement_table(
    first: Sequence[Hashable], second: Sequence[Hashable], *, categories: Sequence[Hashable] = ()
) -> NDArray[np.int64]:
    """(k, k) counts: rows the first reader's labels, columns the second's.

    Parameters
    ----------
    first, second : sequence of hashable, same length
    categories : sequence of hashable, optional
        Their order; those that occur, sorted as text, by default.

    Raises
    ------
    ValueError
        If lengths differ or a label is no category.
    """
    if len(first) != len(second):
        raise ValueError(f"{len(first)} labels against {len(second)}; expected as many of each")
    order = list(categories) or sorted({*first, *second}, key=str)
    place: Mapping[Hashable, int] = {label: index for index, label in enumerate(order)}
    table = np.zeros((len(order), len(order)), dtype=np.int64)
    for a, b in zip(first, second, strict=True):
        if a not in place or b not in place:
            raise ValueError(f"label {a if a not in place else b!r} is none of {order}")
        table[place[a], place[b]] += 1
    return table


def cohen_kappa(
    table: ArrayLike, *, weights: Weights = "none", confidence: float = CONFIDENCE
) -> Kappa:
    """Kappa of a table of two readers, with weights by distance of ordered categories if asked.

    Cohen 1960, Educ. Psychol. Meas. 20:37-46, doi:10.1177/001316446002000104; weights: Cohen 1968,
    Psychol. Bull. 70:213-220; standard error: Fleiss, Cohen & Everitt 1969, Psychol. Bull.
    72:323-327, doi:10.1037/h0028106.

    Parameters
    ----------
    table : (k, k) counts
    weights : "none", "linear" or "quadratic"

    Raises
    ------
    ValueError
        If the table is not square, has a negative count, or is empty.
    """
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1]:
        raise ValueError(f"table is {counts.shape}; expected as many rows as columns")
    n = float(counts.sum())
    if n <= 0 or counts.min() < 0:
        raise ValueError("table holds no counts, or a negative one")
    p = counts / n
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    w = _agreement_weights(len(p), weights)
    observed, expected = float((w * p).sum()), float(rows @ w @ columns)
    if expected >= 1.0 - 1e-12:
        nan = float("nan")
        return Kappa(nan, nan, nan, nan, observed, expected, int(n))
    value = (observed - expected) / (1 - expected)
    mean = (w @ columns)[:, None] + (rows @ w)[None, :]
    spread = (p * (w - mean * (1 - value)) ** 2).sum() - (value - expected * (1 - value)) ** 2
    error = float(np.sqrt(max(0.0, float(spread)) / n) / (1 - expected))
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    low, high = max(-1.0, value - z * error), min(1.0, value + z * error)
    return Kappa(value, error, low, high, observed, expected, int(n))


def krippendorff_alpha(
    reads: Sequence[Sequence[float | None]], *, level: Level = "nominal"
) -> float:
    """Agreement of any number of readers, with missing reads.

    ``1 - observed disagreement / disagreement by chance`` over all pairs of reads of one unit.

    Krippendorff 2011, "Computing Krippendorff's alpha-reliability"; Hayes & Krippendorff 2007,
    Commun. Methods Meas. 1:77-89, doi:10.1080/19312450709336664.

    Parameters
    ----------
    reads : sequence of sequence of float or None
        One sequence a reader, as long as there are units; None (or NaN) is a missing read. Labels
        of a nominal scale are given as any numbers.
    level : "nominal", "ordinal", "interval" or "ratio"

    Returns
    -------
    float
        1 complete, 0 as by chance; NaN where no unit has two reads or all reads are alike.

    Raises
    ------
    ValueError
        If the readers have different numbers of units.
    """
    lengths = {len(row) for row in reads}
    if len(lengths) > 1:
        raise ValueError(f"readers have {sorted(lengths)} units; expected as many of each")
    filled = [[np.nan if v is None else float(v) for v in row] for row in reads]
    values = np.array(filled, dtype=np.float64).reshape(len(reads), max(lengths, default=0))
    values = values[:, (~np.isnan(values)).sum(axis=0) >= 2]
    levels, place = np.unique(values[~np.isnan(values)], return_inverse=True)
    if levels.size == 0:
        return float("nan")
    if level == "nominal":
        # Marks have as many labels as there are animals: no table of label by label.
        return _nominal(np.nonzero(~np.isnan(values))[1], place, values.shape[1])
    counts = np.array([(values == level_value).sum(axis=0) for level_value in levels], np.float64).T
    shared = counts / (counts.sum(axis=1, keepdims=True) - 1)
    coincidence = counts.T @ shared - np.diag(shared.sum(axis=0))
    margin = counts.sum(axis=0)
    distance = _distance(levels, margin, level)
    by_chance = float(margin @ distance @ margin) / (float(margin.sum()) - 1)
    if by_chance <= 0:
        return float("nan")
    return 1.0 - float((coincidence * distance).sum()) / by_chance


def _nominal(unit: NDArray[np.int64], label: NDArray[np.int64], units: int) -> float:
    """The same where values only agree or differ, from one entry a read."""
    reads = np.bincount(unit, minlength=units).astype(np.float64)
    kinds = int(label.max()) + 1
    pairs, alike = np.unique(unit * kinds + label, return_counts=True)
    same = np.bincount(pairs // kinds, alike.astype(np.float64) ** 2, minlength=units)
    observed = float(((reads**2 - same) / (reads - 1)).sum())
    margin, total = np.bincount(label).astype(np.float64), float(reads.sum())
    by_chance = (total**2 - float((margin**2).sum())) / (total - 1)
    return 1.0 - observed / by_chance if by_chance > 0 else float("nan")


def alpha_limits(
    reads: Sequence[Sequence[float | None]],
    *,
    level: Level = "nominal",
    samples: int = SAMPLES,
    seed: int = 1,
) -> tuple[float, float]:
    """95 % interval of :func:`krippendorff_alpha`: bootstrap percentiles, units drawn anew.

    NaN where no unit has two reads; samples without a value (all reads alike) are left out.
    """
    values = np.array([[np.nan if v is None else float(v) for v in row] for row in reads])
    units = values.shape[1] if values.ndim == 2 else 0
    rng = np.random.default_rng(seed)
    drawn = (values[:, rng.integers(0, units, units)] for _ in range(samples if units else 0))
    found = np.array([krippendorff_alpha(sample.tolist(), level=level) for sample in drawn])
    found = found[~np.isnan(found)]
    if not found.size:
        return float("nan"), float("nan")
    tail = 100 * (1 - CONFIDENCE) / 2
    low, high = np.percentile(found, [tail, 100 - tail])
    return float(low), float(high)


def label_numbers(
    reads: Sequence[Sequence[Hashable | None]],
) -> tuple[tuple[float | None, ...], ...]:
    """Labels as numbers for :func:`krippendorff_alpha`; None stays a missing read."""
    order = sorted({label for row in reads for label in row if label is not None}, key=str)
    place = {label: float(index) for index, label in enumerate(order)}
    return tuple(tuple(None if v is None else place[v] for v in row) for row in reads)


def _agreement_weights(size: int, kind: Weights) -> NDArray[np.float64]:
    if kind == "none" or size < 2:
        return np.eye(size)
    gap = np.abs(np.subtract.outer(np.arange(size), np.arange(size))) / (size - 1)
    return np.asarray(1.0 - (gap if kind == "linear" else gap**2), dtype=np.float64)


def _distance(
    levels: NDArray[np.float64], margin: NDArray[np.float64], level: Level
) -> NDArray[np.float64]:
    """(k, k) squared differences of values on a scale."""
    gap = np.subtract.outer(levels, levels)
    if level == "ordinal":
        rank = np.cumsum(margin) - margin / 2
        gap = np.subtract.outer(rank, rank)
    elif level == "ratio":
        total = np.add.outer(levels, levels)
        gap = np.divide(gap, total, out=np.zeros_like(gap), where=total != 0)
    return np.asarray(gap**2, dtype=np.float64)
