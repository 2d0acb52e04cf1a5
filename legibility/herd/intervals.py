"""Times that are only known to lie in an interval, as counts: what both curves are fitted on.

A mark is only seen when the animal is handled. It was still usable at the age ``left`` and no
longer at ``right``, so it was lost in (left, right]; ``right`` is infinite where it was never seen
lost (right-censored). Marks with the same interval and the same properties are one row with a
count, so that the work grows with the number of different rows and not with the herd.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Spans:
    """Counted intervals, with the class each belongs to in some properties."""

    left: Floats
    """(n,) >= 0."""
    right: Floats
    """(n,) above ``left``; infinite where the event was not seen."""
    count: Floats
    """(n,) above 0."""
    names: tuple[str, ...] = ()
    """Properties, e.g. ``skin``."""
    classes: NDArray[np.int64] = field(default_factory=lambda: np.zeros((0, 0), np.int64))
    """(n, properties) index into ``levels``; -1 where it is not recorded."""
    levels: tuple[tuple[str, ...], ...] = ()
    """Classes of each property."""

    def __len__(self) -> int:
        return len(self.left)

    @property
    def total(self) -> int:
        """Marks."""
        return round(float(self.count.sum()))

    @property
    def lost(self) -> int:
        """Marks that were seen lost."""
        return round(float(self.count[np.isfinite(self.right)].sum()))

    @property
    def exposure(self) -> float:
        """Time over which marks are known to have been usable, summed."""
        return float((self.count * self.left).sum())

    @property
    def longest(self) -> float:
        """Latest time at which a mark was seen usable or lost."""
        finite = self.right[np.isfinite(self.right)]
        return float(max(self.left.max(initial=0.0), finite.max(initial=0.0)))

    def same(self, other: Spans) -> bool:
        """Whether both hold the very same counts."""
        return (self.names, self.levels) == (other.names, other.levels) and all(
            np.array_equal(getattr(self, name), getattr(other, name))
            for name in ("left", "right", "count", "classes")
        )

    def with_count(self, count: Floats) -> Spans:
        """The same intervals with other counts; rows that count nothing are left out."""
        keep = count > 0
        return Spans(
            self.left[keep],
            self.right[keep],
            count[keep],
            self.names,
            self.classes[keep],
            self.levels,
        )


def spans(
    left: ArrayLike,
    right: ArrayLike,
    *,
    properties: Sequence[tuple[str, Sequence[str] | Coded]] = (),
    count: ArrayLike | None = None,
) -> Spans:
    """Count equal intervals.

    Parameters
    ----------
    left, right : (n,) array_like
        The event lies in (left, right]; infinite ``right`` where it was not seen.
    properties : sequence of (name, n values)
        E.g. colour of the skin; an empty value is "not recorded".
    count : (n,) array_like, optional
        How many marks each stands for; 1 by default.

    Raises
    ------
    ValueError
        If an interval is empty, starts before 0, or lengths differ.

    Examples
    --------
    >>> found = spans([1.0, 1.0, 0.0], [2.0, 2.0, float("inf")])
    >>> found.left.tolist(), found.count.tolist(), found.lost
    ([0.0, 1.0], [1.0, 2.0], 2)
    """
    low = np.asarray(left, dtype=np.float64).ravel()
    high = np.asarray(right, dtype=np.float64).ravel()
    weight = np.ones(len(low)) if count is None else np.asarray(count, dtype=np.float64).ravel()
    if not len(low) == len(high) == len(weight):
        raise ValueError(f"{len(low)} starts, {len(high)} ends and {len(weight)} counts")
    bad = ~((low >= 0) & (high > low) & np.isfinite(low))
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        raise ValueError(f"interval {at} is ({low[at]}, {high[at]}]; expected 0 <= left < right")
    names, levels, columns = [], [], []
    for name, values in properties:
        if len(values) != len(low):
            raise ValueError(f"{name} has {len(values)} values for {len(low)} intervals")
        found, index = values.used() if isinstance(values, Coded) else coded(values).used()
        names.append(name)
        levels.append(found)
        columns.append(index)
    classes = np.stack(columns, axis=1) if columns else np.zeros((len(low), 0), np.int64)
    first, inverse = _distinct_rows([low, high, *classes.T])
    summed = np.bincount(inverse, weight, minlength=len(first)).astype(np.float64)
    return Spans(
        low[first],
        high[first],
        summed,
        tuple(names),
        classes[first].astype(np.int64),
        tuple(levels),
    ).with_count(summed)


@dataclass(frozen=True, slots=True)
class Coded:
    """Texts of few kinds as numbers: quick to compare, however many there are."""

    code: NDArray[np.int64]
    """(n,) index into ``kinds``."""
    kinds: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.code)

    def __getitem__(self, at: NDArray[np.integer] | NDArray[np.bool_]) -> Coded:
        return Coded(self.code[at], self.kinds)

    def used(self) -> tuple[tuple[str, ...], NDArray[np.int64]]:
        """Kinds that occur and are not empty, and the index of each text among them; -1 for ""."""
        there = np.bincount(self.code, minlength=len(self.kinds)) > 0
        there &= np.array([kind != "" for kind in self.kinds], dtype=np.bool_)
        place = np.where(there, np.cumsum(there) - 1, -1).astype(np.int64)
        kinds = tuple(kind for kind, is_there in zip(self.kinds, there, strict=True) if is_there)
        return kinds, place[self.code] if len(self.code) else np.zeros(0, dtype=np.int64)


def coded(values: Sequence[str] | NDArray[np.str_]) -> Coded:
    """Texts as numbers."""
    found, index = np.unique(np.asarray(values, dtype=np.str_), return_inverse=True)
    return Coded(index.astype(np.int64).ravel(), tuple(str(text) for text in found))


def _distinct_rows(columns: Sequence[NDArray[Any]]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First row of each kind in ascending order of the columns, and the kind of each row."""
    key = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        kinds, index = np.unique(column, return_inverse=True)
        # Renumbered after each column, so that the numbers stay below rows times kinds.
        _, key = np.unique(key * max(len(kinds), 1) + index.ravel(), return_inverse=True)
        key = key.ravel()
    _, first = np.unique(key, return_index=True)
    return first, key


def resampled(data: Spans, rng: np.random.Generator) -> Spans:
    """As many marks drawn with replacement: one bootstrap sample (Efron 1979)."""
    share = data.count / data.count.sum()
    drawn = rng.multinomial(data.total, share).astype(np.float64)
    return data.with_count(drawn)
