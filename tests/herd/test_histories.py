"""From sightings to intervals, by hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from legibility.herd.histories import (
    Looks,
    Sighted,
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


def seen_of(
    rows: Sequence[tuple[int, float, str, float]], weights: tuple[float, float] = (1.5, 4.0)
) -> Sighted:
    """Looks by what they were: a usable mark, refused as found or prepared, or said to be lost."""
    mark, day, what, grade = (np.array(column) for column in zip(*rows, strict=True))
    good = np.where(what == "clipped", 2, np.where(what == "cleaned", 1, 0))
    return sighted(
        Looks(
            mark.astype(np.int64),
            day.astype(np.float64),
            what == "usable",
            what == "said lost",
            grade.astype(np.float64),
            good,
            np.where(good > 0, weights[1], weights[0]),
        )
    )


def test_by_hand() -> None:
    # Mark 0: usable at 1 and 2 years, lost at 3. Mark 1: said lost at 1 year (usable at 2), then
    # nothing. Mark 2: lost at its first sighting. Mark 3: two photos on one day, one of them bad.
    rows = [
        (0, 1 * YEAR, "usable", 4.0),
        (0, 2 * YEAR, "usable", 2.5),
        (0, 3 * YEAR, "said lost", NAN),
        (1, 1 * YEAR, "said lost", NAN),
        (1, 2 * YEAR, "usable", 3.0),
        (2, 1 * YEAR, "said lost", NAN),
        (3, 1 * YEAR, "as found", NAN),
        (3, 1 * YEAR, "usable", 3.5),
        (-1, 1 * YEAR, "usable", 1.0),
        (3, NAN, "usable", 1.0),
    ]
    seen = seen_of(rows)
    assert len(seen) == 7
    known = histories(seen, 5)
    assert known.lost.tolist() == [True, False, True, False, False]
    assert known.sightings.tolist() == [3, 1, 1, 1, 0]
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
    assert usable_by_age(seen, known, np.zeros(5)).tolist() == [
        [0, 0],
        [2, 3],
        [2, 2],
        [0, 1],
    ]


@pytest.mark.parametrize(
    ("later", "lost", "missed"),
    [
        ([], NAN, NAN),
        ([(10, "as found")], NAN, 10),
        # However often it is refused as found, nobody looked at a prepared ear.
        ([(day, "as found") for day in range(10, 90)], NAN, 89),
        # One look alone is never enough, and two photos of the same stage and day are one look.
        ([(10, "clipped"), (10, "clipped")], NAN, 10),
        ([(10, "as found"), (10, "clipped")], 10, NAN),
        ([(10, "as found"), (300, "clipped")], 300, NAN),
        # Cleaning leaves the hair: a second look at the clean ear, or a clipped one, has to agree.
        ([(10, "as found"), (10, "cleaned")], NAN, 10),
        ([(10, "cleaned"), (20, "cleaned")], 10, NAN),
        # What was read after clipping ends the doubt; and the best of the day's photos judges.
        ([(10, "as found"), (20, "clipped"), (21, "usable")], NAN, NAN),
        ([(10, "as found"), (20, "clipped"), (20, "usable")], NAN, NAN),
        ([(10, "as found"), (11, "said lost")], 11, NAN),
    ],
)
def test_two_looks_have_to_agree(later: list[tuple[int, str]], lost: float, missed: float) -> None:
    rows = [(0, 1.0, "usable", 3.0), *((0, float(day), what, NAN) for day, what in later)]
    known = histories(seen_of(rows), 1)
    np.testing.assert_array_equal(known.first_lost, [lost])
    np.testing.assert_array_equal(known.not_seen, [missed])
    # What was not seen keeps the condition it was last seen in.
    assert known.grade[0] == 3.0


def test_weak_evidence_needs_more_of_it() -> None:
    """By Bayes: 0.1 / 0.9 exp(2 + 2) is 86 % lost, and below 90 %; a third such look makes 98 %."""
    rows = [(0, 10.0, "as found", NAN), (0, 20.0, "clipped", NAN)]
    assert np.isnan(histories(seen_of(rows, (2.0, 2.0)), 1).first_lost[0])
    rows.append((0, 30.0, "as found", NAN))
    assert histories(seen_of(rows, (2.0, 2.0)), 1).first_lost[0] == 20.0


def test_a_mark_without_a_day_of_application_is_in_no_age() -> None:
    seen = seen_of([(0, 10.0, "usable", 3.0)])
    known = histories(seen, 1)
    assert spans_by_age(known, np.array([NAN])).total == 0
    assert spans_by_grade(seen, known).total == 0
    assert usable_by_age(seen, known, np.array([NAN])).shape == (0, 2)


def test_nothing_seen() -> None:
    none, no, number = np.zeros(0), np.zeros(0, np.bool_), np.zeros(0, np.int64)
    seen = sighted(Looks(number, none, no, no, none, number, none))
    known = histories(seen, 2)
    assert not known.lost.any()
    assert spans_by_age(known, np.zeros(2)).total == 0


def test_classes_of_grades() -> None:
    assert texts(grade_codes(np.array([0.0, 1.0, 1.1, 4.0, NAN]))) == [
        "0-1", "0-1", "1-2", "3-4", "",
    ]  # fmt: skip
