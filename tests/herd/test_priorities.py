"""What is expected and advised, by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from legibility.herd import handling as h
from legibility.herd.fade import ASSUMED_LOSS_A_YEAR, Basis, Fade, assumed_fade, fit_fade
from legibility.herd.handling import Handling
from legibility.herd.histories import DAYS_A_YEAR
from legibility.herd.intervals import spans
from legibility.herd.priorities import Marks, priorities

NAN = float("nan")
TODAY = 20_000.0
BY_GRADE = assumed_fade(names=("grade",), by_class=ASSUMED_LOSS_A_YEAR)
NO_LOSS = fit_fade(spans([4.0] * 100, [float("inf")] * 100))


def one(**changes: object) -> Marks:
    """A mark three years old, seen yesterday as good as new."""
    values: dict[str, object] = {
        "applied": TODAY - 3 * DAYS_A_YEAR,
        "last_usable": TODAY - 1,
        "first_lost": NAN,
        "not_seen": NAN,
        "doubt": 0.0,
        "grade": 4.0,
        "sightings": 3,
        "risk": 0.0,
        "risk_lost": 0.0,
        "reading_risk": 0.0,
        "contradicted": False,
        "has_chip": False,
        "ears_taken": 1,
        "cost": 10.0,
        "effect": 0.0,
    }
    values |= changes
    return Marks(**{name: np.array([value]) for name, value in values.items()})  # type: ignore[arg-type]


def advised(marks: Marks, *, by_age: Fade = NO_LOSS, handling: Handling | None = None) -> str:
    found = priorities(
        marks, by_age=by_age, by_grade=BY_GRADE, handling=handling or Handling(), today=TODAY
    )
    return str(found.act[0])


@pytest.mark.parametrize(
    ("changes", "act"),
    [
        ({}, h.NOTHING),
        ({"sightings": 0, "last_usable": NAN}, h.PHOTOGRAPH),
        ({"contradicted": True, "reading_risk": 0.9}, h.SECOND_READING),
        ({"risk": 0.01}, h.SECOND_READING),
        ({"risk": 0.2}, h.TRANSPONDER),
        ({"first_lost": TODAY - 1}, h.TRANSPONDER),
        ({"first_lost": TODAY - 1, "has_chip": True}, h.OTHER_EAR),
        ({"first_lost": TODAY - 1, "has_chip": True, "ears_taken": 2}, h.IN_LINE),
    ],
)
def test_acts(changes: dict[str, object], act: str) -> None:
    assert advised(one(**changes)) == act


def test_loss_by_hand() -> None:
    """Grade 1.5, seen half a year ago, next handling in half a year: a year of 35 % loss."""
    marks = one(
        grade=1.5, last_usable=TODAY - DAYS_A_YEAR / 2, risk=0.04, risk_lost=0.01, reading_risk=0.1
    )
    handling = replace(Handling(), days_to_next=DAYS_A_YEAR / 2)
    found = priorities(
        marks, by_age=assumed_fade(), by_grade=BY_GRADE, handling=handling, today=TODAY
    )
    assert found.p_lost[0] == pytest.approx(0.35)
    assert found.p_taken[0] == pytest.approx(0.65 * 0.1 + 0.35 * 0.01)
    assert found.loss[0] == pytest.approx(10 * (0.0685 + 0.25 * 0.35))
    years = np.log(0.9) / np.log(0.65)
    assert np.isinf(found.last_day[0])
    measured = replace(BY_GRADE, basis=Basis.FITTED)
    dated = priorities(
        marks, by_age=assumed_fade(), by_grade=measured, handling=handling, today=TODAY
    )
    assert dated.last_day[0] == pytest.approx(TODAY - DAYS_A_YEAR / 2 + years * DAYS_A_YEAR)
    np.testing.assert_array_equal(dated.loss, found.loss)
    chip = replace(marks, has_chip=np.array([True]))
    other = priorities(
        chip, by_age=assumed_fade(), by_grade=BY_GRADE, handling=handling, today=TODAY
    )
    assert other.loss[0] == pytest.approx(0.05 * found.loss[0])


def test_a_measured_curve_goes_before_an_assumed_one() -> None:
    marks = one(grade=0.9, last_usable=TODAY - 2 * DAYS_A_YEAR)
    assert NO_LOSS.basis is Basis.NO_LOSS
    found = priorities(marks, by_age=NO_LOSS, by_grade=BY_GRADE, handling=Handling(), today=TODAY)
    assert found.p_lost[0] == 0.0
    assert np.isinf(found.last_day[0])


def test_worse_marks_and_dearer_animals_come_first() -> None:
    losses = []
    for grade, cost in ((4.0, 1.0), (2.5, 1.0), (1.5, 1.0), (1.5, 10.0)):
        found = priorities(
            one(grade=grade, cost=cost),
            by_age=assumed_fade(),
            by_grade=BY_GRADE,
            handling=Handling(),
            today=TODAY,
        )
        losses.append(float(found.loss[0]))
    assert losses == sorted(losses)
    assert len(set(losses)) == 4


def test_an_assumed_curve_advises_a_look_and_never_a_mark() -> None:
    old = one(last_usable=TODAY - 4 * DAYS_A_YEAR, grade=2.5)
    assert advised(old, by_age=assumed_fade()) == h.PHOTOGRAPH
    measured = replace(assumed_fade(), basis=Basis.FITTED)
    assert advised(replace(old, grade=np.array([NAN])), by_age=measured) == h.TRANSPONDER


def test_a_mark_that_was_not_seen_is_photographed_again() -> None:
    """By Bayes: 0.1 / 0.9 exp(3) is 69 % lost."""
    unseen = one(not_seen=TODAY - 1, doubt=3.0, risk=0.2)
    assert advised(unseen) == h.PHOTOGRAPH
    found = priorities(unseen, by_age=NO_LOSS, by_grade=BY_GRADE, handling=Handling(), today=TODAY)
    odds = 0.1 / 0.9 * np.exp(3.0)
    assert found.p_lost[0] == pytest.approx(odds / (1 + odds))
    assert np.isinf(found.last_day[0])


def test_nothing_known_of_the_age() -> None:
    marks = one(applied=NAN, last_usable=NAN, grade=NAN, sightings=0)
    found = priorities(
        marks, by_age=assumed_fade(), by_grade=BY_GRADE, handling=Handling(), today=TODAY
    )
    assert 0 < found.p_lost[0] < 1
