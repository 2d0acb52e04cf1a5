"""From sightings to intervals, by hand."""

from __future__ import annotations

import numpy as np

from legibility.herd.histories import (
    grade_codes,
    histories,
    sighted,
    spans_by_age,
    spans_by_grade,
    usable_by_age,
)
from legibility.herd.intervals import Coded, coded

YEAR = 366.0
NAN = float("nan")


def texts(found: Coded) -> list[str]:
    return [found.kinds[code] for code in found.code]


def test_by_hand() -> None:
    # Mark 0: usable at 1 and 2 years, lost at 3. Mark 1: a bad photo at 1 year (usable at 2), then
    # nothing. Mark 2: lost at its first sighting. Mark 3: two photos on one day, one of them bad.
    rows = [
        (0, 1 * YEAR, True, 4.0),
        (0, 2 * YEAR, True, 2.5),
        (0, 3 * YEAR, False, NAN),
        (1, 1 * YEAR, False, NAN),
        (1, 2 * YEAR, True, 3.0),
        (2, 1 * YEAR, False, NAN),
        (3, 1 * YEAR, False, NAN),
        (3, 1 * YEAR, True, 3.5),
        (-1, 1 * YEAR, True, 1.0),
        (3, NAN, True, 1.0),
    ]
    mark, day, usable, grade = (np.array(column) for column in zip(*rows, strict=True))
    seen = sighted(mark, day, usable.astype(bool), grade)
    assert len(seen) == 7
    known = histories(seen, 5)
    assert known.lost.tolist() == [True, False, True, False, False]
    assert known.sightings.tolist() == [3, 2, 1, 1, 0]
    np.testing.assert_array_equal(known.grade, [2.5, 3.0, NAN, 3.5, NAN])
    by_age = spans_by_age(
        known, np.array([0.0, 0.0, 0.0, 0.0, 0.0]), [("skin", coded(list("aabba")))]
    )
    found = sorted(zip(by_age.left, by_age.right, by_age.count, strict=True))
    inf = float("inf")
    assert found == [(0.0, 1.0, 1.0), (1.0, inf, 1.0), (2.0, 3.0, 1.0), (2.0, inf, 1.0)]
    by_grade = spans_by_grade(seen, known)
    table = {
        (by_grade.levels[0][int(c)], float(a), float(b))
        for a, b, c in zip(by_grade.left, by_grade.right, by_grade.classes[:, 0], strict=True)
    }
    assert table == {("3-4", 1.0, inf), ("2-3", 0.0, 1.0)}
    assert usable_by_age(seen, np.zeros(5)).tolist() == [[0, 0], [2, 4], [2, 2], [0, 1]]


def test_a_mark_without_a_day_of_application_is_in_no_age() -> None:
    seen = sighted(np.array([0]), np.array([10.0]), np.array([True]), np.array([3.0]))
    known = histories(seen, 1)
    assert spans_by_age(known, np.array([NAN])).total == 0
    assert spans_by_grade(seen, known).total == 0
    assert usable_by_age(seen, np.array([NAN])).shape == (0, 2)


def test_nothing_seen() -> None:
    none = np.zeros(0)
    seen = sighted(none.astype(int), none, none.astype(bool), none)
    known = histories(seen, 2)
    assert not known.lost.any()
    assert spans_by_age(known, np.zeros(2)).total == 0


def test_classes_of_grades() -> None:
    assert texts(grade_codes(np.array([0.0, 1.0, 1.1, 4.0, NAN]))) == [
        "0-1", "0-1", "1-2", "3-4", "",
    ]  # fmt: skip
