"""From sightings of marks to intervals in which each mark became unusable.

Only sightings that could judge the mark count. Of several on one day the best one does: the others
were worse photos of the same mark. A mark seen usable after it was seen unusable was usable all the
time, and the sighting between them was at fault.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.herd.intervals import Coded, Floats, Spans, spans

DAYS_A_YEAR: Final = 365.25
MONTHS: Final = 12
"""Choice: times are rounded to months, so that the work does not grow with the herd."""
_SPAN: Final = 4e6
"""Days; more than any two days of a record are apart."""
GRADE_CLASSES: Final = ("0-1", "1-2", "2-3", "3-4")

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Sighted:
    """Sightings that could judge a mark, one a mark and day, by mark and day."""

    mark: Ints
    """(n,) number of the mark."""
    day: Floats
    usable: Flags
    grade: Floats
    """(n,) 0..4; NaN where nobody gave one."""

    def __len__(self) -> int:
        return len(self.mark)


@dataclass(frozen=True, slots=True)
class Histories:
    """What is known of each mark, by its number."""

    last_usable: Floats
    """(marks,) day; NaN where it was never seen usable."""
    first_lost: Floats
    """(marks,) day of the first sighting after that; NaN where it was not seen lost."""
    grade: Floats
    """(marks,) at the last sighting that gave one; NaN for none."""
    sightings: Ints
    """(marks,) days on which it could be judged."""

    @property
    def lost(self) -> Flags:
        """Whether the mark was seen lost."""
        return ~np.isnan(self.first_lost)

    @property
    def last_seen(self) -> Floats:
        """Day of the last judgement of any kind; NaN for none."""
        return np.asarray(np.fmax(self.last_usable, self.first_lost), np.float64)


def sighted(mark: Ints, day: Floats, usable: Flags, grade: Floats) -> Sighted:
    """One sighting a mark and day from any number, in any order; those without a day are dropped.

    Parameters
    ----------
    mark : (n,) ints; negative for a sighting of no mark of the record
    day : (n,) days since any day
    usable : (n,) bool
    grade : (n,) 0..4 or NaN
    """
    known = np.flatnonzero((mark >= 0) & ~np.isnan(day))
    key = mark[known] * _SPAN + np.floor(day[known])
    # Looks come by animal and time, nearly in this order already: a stable sort is quick then.
    order = np.argsort(key, kind="stable")
    order, key = known[order], key[order]
    last = np.append(key[1:] != key[:-1], np.ones(min(len(key), 1), dtype=np.bool_))
    group = np.cumsum(last) - last
    several = np.flatnonzero((np.bincount(group) > 1)[group]) if len(group) else order
    rows = order[several]
    rank = np.where(np.isnan(grade[rows]), -1.0, grade[rows])
    order[several] = rows[np.lexsort((rank, usable[rows], group[several]))]
    best = order[last]
    return Sighted(mark[best], np.floor(day[best]), usable[best], grade[best])


def histories(seen: Sighted, marks: int) -> Histories:
    """History of each of ``marks`` marks."""
    last = np.full(marks, -np.inf)
    np.maximum.at(last, seen.mark[seen.usable], seen.day[seen.usable])
    first = np.full(marks, np.inf)
    after = ~seen.usable & (seen.day > last[seen.mark])
    np.minimum.at(first, seen.mark[after], seen.day[after])
    grade = np.full(marks, np.nan)
    given = ~np.isnan(seen.grade)
    grade[seen.mark[given]] = seen.grade[given]
    return Histories(
        np.where(np.isinf(last), np.nan, last),
        np.where(np.isinf(first), np.nan, first),
        grade,
        np.bincount(seen.mark, minlength=marks).astype(np.int64),
    )


def spans_by_age(
    known: Histories, applied: Floats, properties: Sequence[tuple[str, Coded]] = ()
) -> Spans:
    """Years from application to loss; marks without a day of application, or never seen, are out.

    Parameters
    ----------
    applied : (marks,) day; NaN where it is not known
    properties : sequence of (name, value of each mark)
    """
    use = np.flatnonzero(~np.isnan(applied) & (known.sightings > 0))
    left = _months(known.last_usable[use] - applied[use])
    right = _months(known.first_lost[use] - applied[use])
    return _spans(left, right, [(name, values[use]) for name, values in properties])


def spans_by_grade(seen: Sighted, known: Histories) -> Spans:
    """Years from each sighting of a usable mark to its loss, by the grade at that sighting.

    Each sighting is followed to the next one only, so that none counts twice.
    """
    if len(seen) < 2:
        return spans([], [], properties=[("grade", [])])
    valid = seen.day <= np.where(np.isnan(known.first_lost), np.inf, known.first_lost)[seen.mark]
    # A sighting "lost" between two usable ones was at fault.
    fault = ~seen.usable & (seen.day != known.first_lost[seen.mark])
    kept = np.flatnonzero(valid & ~fault)
    a, b = kept[:-1], kept[1:]
    pair = (seen.mark[a] == seen.mark[b]) & seen.usable[a] & ~np.isnan(seen.grade[a])
    a, b = a[pair], b[pair]
    years = _months(seen.day[b] - seen.day[a])
    lost = ~seen.usable[b]
    left = np.where(lost, 0.0, years)
    right = np.where(lost, np.maximum(years, 1 / MONTHS), np.inf)
    return _spans(left, right, [("grade", grade_codes(seen.grade[a]))])


def usable_by_age(seen: Sighted, applied: Floats) -> NDArray[np.int64]:
    """Marks usable at their last judgement in each year of their age, and marks judged.

    Returns
    -------
    (years, 2) ints
        Row k: usable, and judged, from the age of k to k + 1 years.
    """
    _, year, usable = last_in_each_year(seen, applied)
    size = int(year.max(initial=-1)) + 1
    judged = np.bincount(year, minlength=size)
    good = np.bincount(year, usable, minlength=size)
    return np.stack([good.astype(np.int64), judged.astype(np.int64)], axis=1)


def last_in_each_year(seen: Sighted, applied: Floats) -> tuple[Ints, Ints, Flags]:
    """The last judgement of each mark in each year of its age: mark, year, whether usable."""
    age = (seen.day - applied[seen.mark]) / DAYS_A_YEAR if len(seen) else np.zeros(0)
    use = np.flatnonzero(~np.isnan(age) & (age >= 0))
    year = np.floor(age[use]).astype(np.int64)
    mark, usable = seen.mark[use], seen.usable[use]
    # By mark and day, so that the last of each mark and year stands before a change of either.
    last = np.append((mark[1:] != mark[:-1]) | (year[1:] != year[:-1]), True)[: len(use)]
    return mark[last], year[last], usable[last]


def grade_codes(grade: Floats) -> Coded:
    """Class of each grade; empty for NaN."""
    index = np.where(np.isnan(grade), 0, np.clip(np.ceil(grade), 1, len(GRADE_CLASSES)))
    return Coded(index.astype(np.int64), ("", *GRADE_CLASSES))


def _months(days: Floats) -> Floats:
    return np.asarray(np.round(days / DAYS_A_YEAR * MONTHS) / MONTHS, dtype=np.float64)


def _spans(left: Floats, right: Floats, properties: list[tuple[str, Coded]]) -> Spans:
    low = np.maximum(np.nan_to_num(left, nan=0.0), 0.0)
    high = np.where(np.isnan(right), np.inf, np.maximum(right, low + 1 / MONTHS))
    return spans(low, high, properties=properties)
