"""From sightings of marks to intervals in which each mark became unusable.

Of several looks on one day the best one judges: the others were worse photos of the same mark. A
photo that could not be read is an observation with an error rate (see ``refusals``): until a
second, good look agrees the mark is "not seen", and stays in the condition it was last seen in. A
mark seen usable after that was usable all the time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.herd.intervals import Coded, Floats, Spans, spans
from legibility.herd.refusals import LEAST_GOOD, LEAST_LOOKS, PRIOR_LOST, SURE_LOST

DAYS_A_YEAR: Final = 365.25
MONTHS: Final = 12
"""Choice: times are rounded to months, so that the work does not grow with the herd."""
SPAN: Final = 4e6
"""Days; more than any two days of a record are apart."""
GRADE_CLASSES: Final = ("0-1", "1-2", "2-3", "3-4")

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Looks:
    """Looks that say something of a mark, in any order."""

    mark: Ints
    """(n,) number of the mark; negative for none of the record."""
    day: Floats
    usable: Flags
    """The mark was read, or a person said that it can be used."""
    said_lost: Flags
    """A person said that it cannot; neither this nor ``usable``: a photo that was refused."""
    grade: Floats
    """(n,) 0..4; NaN where nobody gave one."""
    good: Ints
    """0 as found, 1 cleaned, 2 clipped."""
    weight: Floats
    """Of a refusal, see ``refusals.Refusals.weight``."""


@dataclass(frozen=True, slots=True)
class Sighted:
    """Days on which something was seen or refused, one a mark and day, by mark and day."""

    mark: Ints
    """(n,) number of the mark."""
    day: Floats
    usable: Flags
    said_lost: Flags
    grade: Floats
    """(n,) 0..4; NaN where nobody gave one."""
    looks: Ints
    """(n,) refusals that day, one as found and one of the prepared ear at most; 0 when usable."""
    good: Ints
    """(n,) how far the ear was prepared at the best of them."""
    weight: Floats
    """(n,) summed over them."""

    def __len__(self) -> int:
        return len(self.mark)


@dataclass(frozen=True, slots=True)
class Histories:
    """What is known of each mark, by its number."""

    last_usable: Floats
    """(marks,) day; NaN where it was never seen usable."""
    first_lost: Floats
    """(marks,) day of the first good look after that which found it lost, where enough looks agree
    that it is; NaN where they do not."""
    not_seen: Floats
    """(marks,) day of the last refusal since it was last usable, where it is not lost; else NaN."""
    not_seen_good: Ints
    """(marks,) how far the ear was prepared at the best of those refusals."""
    doubt: Floats
    """(marks,) summed weight of those refusals."""
    grade: Floats
    """(marks,) at the last sighting that gave one; NaN for none."""
    sightings: Ints
    """(marks,) days on which it was seen usable, or seen lost."""

    @property
    def lost(self) -> Flags:
        """Whether the mark was seen lost."""
        return ~np.isnan(self.first_lost)


def sighted(looks: Looks) -> Sighted:
    """One entry a mark and day; looks without a day or a mark are dropped."""
    known = np.flatnonzero((looks.mark >= 0) & ~np.isnan(looks.day))
    key = looks.mark[known] * SPAN + np.floor(looks.day[known])
    # Looks come by animal and time, nearly in this order already: a stable sort is quick then.
    order = np.argsort(key, kind="stable")
    order, key = known[order], key[order]
    if not len(order):
        none, no = np.zeros(0, np.int64), np.zeros(0, np.bool_)
        zero = np.zeros(0)
        return Sighted(none, zero, no, no, zero, none, none, zero)
    start = np.flatnonzero(np.append(True, key[1:] != key[:-1]))
    usable = looks.usable[order]
    said = looks.said_lost[order] & ~usable
    refused, good = ~usable & ~said, looks.good[order]
    weight = looks.weight[order]

    def most(values: NDArray[np.generic]) -> Floats:
        return np.asarray(np.maximum.reduceat(values, start), np.float64)

    apart = (good == 0, good > 0)
    found, prepared = (most((refused & which) * 1.0) for which in apart)
    weights = sum(most(np.where(refused & which, weight, 0.0)) for which in apart)
    best_good = most(np.where(refused, good, 0) * 1.0)
    is_usable = most(usable * 1.0) > 0
    # The grade is that of the best look: one of a photo that was refused counts for nothing.
    graded = np.where(usable | said, np.nan_to_num(looks.grade[order], nan=-1.0), -1.0)
    day_usable = np.repeat(is_usable, np.diff(np.append(start, len(order))))
    best = most(np.where(usable | ~day_usable, graded, -1.0))
    first = order[start]
    none_seen = ~is_usable
    return Sighted(
        looks.mark[first],
        np.floor(looks.day[first]),
        is_usable,
        none_seen & (most(said * 1.0) > 0),
        np.where(best < 0, np.nan, best),
        np.where(none_seen, found + prepared, 0).astype(np.int64),
        np.where(none_seen, best_good, 0).astype(np.int64),
        np.where(none_seen, weights, 0.0),
    )


def histories(seen: Sighted, marks: int) -> Histories:
    """History of each of ``marks`` marks."""
    last = np.full(marks, -np.inf)
    np.maximum.at(last, seen.mark[seen.usable], seen.day[seen.usable])
    after = np.flatnonzero(~seen.usable & (seen.day > last[seen.mark]))
    mark = seen.mark[after]
    so_far = [_running(values[after], mark) for values in (seen.looks, seen.good, seen.weight)]
    enough = np.log(SURE_LOST / (1 - SURE_LOST)) - np.log(PRIOR_LOST / (1 - PRIOR_LOST))
    agreed = (so_far[0] >= LEAST_LOOKS) & (so_far[1] >= LEAST_GOOD) & (so_far[2] >= enough)
    certain = seen.said_lost[after] | agreed
    lost = np.zeros(marks, dtype=np.bool_)
    lost[mark[certain]] = True
    # What is certain in the end was so from the first good look on.
    first = np.full(marks, np.inf)
    good = lost[mark] & (seen.said_lost[after] | (seen.good[after] > 0))
    np.minimum.at(first, mark[good], seen.day[after][good])
    open_ = after[np.isinf(first[mark])]
    not_seen = np.full(marks, np.nan)
    not_seen[seen.mark[open_]] = seen.day[open_]
    best = np.zeros(marks, dtype=np.int64)
    np.maximum.at(best, seen.mark[open_], seen.good[open_])
    grade = np.full(marks, np.nan)
    given = ~np.isnan(seen.grade)
    grade[seen.mark[given]] = seen.grade[given]
    known = Histories(
        np.where(np.isinf(last), np.nan, last),
        np.where(np.isinf(first), np.nan, first),
        not_seen,
        best,
        np.bincount(seen.mark[open_], seen.weight[open_], minlength=marks).astype(np.float64),
        grade,
        np.zeros(marks, dtype=np.int64),
    )
    counted = np.bincount(seen.mark[judged(seen, known)], minlength=marks).astype(np.int64)
    return replace(known, sightings=counted)


def judged(seen: Sighted, known: Histories) -> Flags:
    """Which days judged their mark: it was usable, or by then it was seen lost."""
    lost = np.where(np.isnan(known.first_lost), np.inf, known.first_lost)
    return np.asarray(seen.usable | (seen.day >= lost[seen.mark]), np.bool_)


def _running(values: NDArray[np.generic], group: Ints) -> Floats:
    """Sum so far within each group; the groups stand together."""
    total = np.cumsum(np.asarray(values, np.float64))
    if not len(total):
        return total
    start = np.append(True, group[1:] != group[:-1])
    before = np.where(start, total - np.asarray(values, np.float64), 0.0)
    return np.asarray(total - before[start][np.cumsum(start) - 1], np.float64)


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
    kept = np.flatnonzero(seen.usable | (seen.day == known.first_lost[seen.mark]))
    a, b = kept[:-1], kept[1:]
    pair = (seen.mark[a] == seen.mark[b]) & seen.usable[a] & ~np.isnan(seen.grade[a])
    a, b = a[pair], b[pair]
    years = _months(seen.day[b] - seen.day[a])
    lost = ~seen.usable[b]
    left = np.where(lost, 0.0, years)
    right = np.where(lost, np.maximum(years, 1 / MONTHS), np.inf)
    return _spans(left, right, [("grade", grade_codes(seen.grade[a]))])


def usable_by_age(seen: Sighted, known: Histories, applied: Floats) -> NDArray[np.int64]:
    """Marks usable at their last judgement in each year of their age, and marks judged.

    Returns
    -------
    (years, 2) ints
        Row k: usable, and judged, from the age of k to k + 1 years.
    """
    _, year, usable = last_in_each_year(seen, known, applied)
    size = int(year.max(initial=-1)) + 1
    count = np.bincount(year, minlength=size)
    good = np.bincount(year, usable, minlength=size)
    return np.stack([good.astype(np.int64), count.astype(np.int64)], axis=1)


def last_in_each_year(seen: Sighted, known: Histories, applied: Floats) -> tuple[Ints, Ints, Flags]:
    """The last judgement of each mark in each year of its age: mark, year, whether usable."""
    age = (seen.day - applied[seen.mark]) / DAYS_A_YEAR if len(seen) else np.zeros(0)
    use = np.flatnonzero(judged(seen, known) & ~np.isnan(age) & (age >= 0))
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
