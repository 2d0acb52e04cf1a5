from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from legibility.alphabet import N_CLASSES
from legibility.containers import Animal, Decision
from legibility.identify.animals import registry_of
from legibility.identify.calibration import FinalCalibration, SetScores
from legibility.identify.candidates import animal_probabilities
from legibility.identify.decision import identify
from legibility.settings import Settings
from tests.identify.reading_builder import cell, cell_of, random_cell, reading, sure

HERD = registry_of(
    [Animal(f"goat {n:03d}", f"{'ABDK'[n % 4]}{'08B3'[n // 4 % 4]}{n:03d}") for n in range(400)]
)
BLANK = cell_of(np.full(N_CLASSES, -np.log(N_CLASSES)))


def test_a_clear_mark_is_identified() -> None:
    mark = HERD.mark(134)
    got = identify(sure(mark), HERD)
    assert got.decision is Decision.IDENTIFIED
    assert got.candidates[0].animal_id == "goat 134"
    assert got.candidate_set == ("goat 134",)
    assert got.misread_risk == pytest.approx(1 - got.candidates[0].probability)
    assert len(got.candidates) == Settings().candidates_listed
    assert "not guaranteed" in got.set_basis


def test_a_clear_mark_of_no_registered_animal() -> None:
    got = identify(sure("ZZ999"), HERD)
    assert got.decision is Decision.UNREGISTERED
    assert got.candidates[0].animal_id is None
    assert got.candidates[0].mark == "ZZ999"
    assert got.candidate_set == (None,)


def test_twins_with_the_same_mark_are_ambiguous() -> None:
    herd = registry_of([Animal("x", "A17"), Animal("y", "A17"), Animal("z", "B42")])
    got = identify(sure("A17"), herd)
    assert got.decision is Decision.AMBIGUOUS
    assert set(got.candidate_set) == {"x", "y"}
    assert [c.animal_id for c in got.candidates[:2]] == ["x", "y"]
    assert got.misread_risk == pytest.approx(0.5, abs=0.05)


def test_a_doubtful_character_leaves_both_animals() -> None:
    herd = registry_of([Animal("x", "A18"), Animal("y", "A1B"), Animal("z", "C42")])
    doubtful = reading([[cell({"A": 0.97}), cell({"1": 0.97}), cell({"8": 0.55, "B": 0.42})]])
    got = identify(doubtful, herd)
    assert got.decision is Decision.AMBIGUOUS
    assert set(got.candidate_set) == {"x", "y"}
    assert any(c.alternative == "B" and c.animal_ids == ("y",) for c in got.confusables)


def test_the_registry_decides_what_the_reading_cannot() -> None:
    seen = reading([[cell({"A": 0.97}), cell({"1": 0.97}), cell({"8": 0.45, "B": 0.42})]])
    herd = registry_of([Animal("x", "A1B"), Animal("z", "C42"), Animal("w", "D55")])
    got = identify(seen, herd)
    assert got.candidates[0].animal_id == "x"


@pytest.mark.parametrize(
    "seen",
    [
        reading(),
        reading([[]]),
        reading([[BLANK] * 5]),
        reading([[cell({"": 0.99})] * 3]),
        sure("A0000", no_mark=0.7),
        reading([[cell({"A": 0.9})] + [BLANK] * 4]),
    ],
    ids=["no rows", "no cells", "blank cells", "empty cells", "no mark", "one of five"],
)
def test_unreadable_is_never_a_guess(seen: object) -> None:
    for herd in (HERD, registry_of([])):
        got = identify(seen, herd)  # type: ignore[arg-type]
        if herd is HERD:
            assert got.decision is Decision.UNREADABLE
            assert got.candidates == ()
            assert got.candidate_set == ()
            assert got.misread_risk == 1.0
            assert got.reason
        poor = identify(seen, herd, capture_good_enough=False)  # type: ignore[arg-type]
        assert poor.decision is Decision.RETAKE


def test_a_poor_photo_may_still_settle_it() -> None:
    mark = HERD.mark(7)
    assert identify(sure(mark), HERD, capture_good_enough=False).decision is Decision.IDENTIFIED


def test_without_registry_marks_are_candidates() -> None:
    got = identify(sure("AB", "12"), None)
    assert got.candidates[0].mark == "AB/12"
    assert got.candidates[0].animal_id is None
    assert got.decision is Decision.AMBIGUOUS
    clear = identify(sure("AB", "12", chance=0.9999, no_mark=0.001), None)
    assert clear.decision is Decision.UNREGISTERED
    assert identify(reading([[BLANK] * 4]), None).decision is Decision.UNREADABLE


def test_conformal_scores_are_used_and_named() -> None:
    calibration = FinalCalibration(sets=(SetScores(0, tuple(np.linspace(0, 1, 99))),))
    got = identify(sure(HERD.mark(3)), HERD, calibration=calibration)
    assert "99 calibration photos" in got.set_basis
    assert len(got.candidate_set) >= 1


@hypothesis_settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(0, 5))
def test_order_of_the_registry_changes_nothing(seed: int, cells: int) -> None:
    rng = np.random.default_rng(seed)
    seen = reading([[random_cell(rng) for _ in range(cells)]], [[random_cell(rng)]])
    animals = [
        Animal(f"n{i}", m) for i, m in enumerate(["A1", "A7", "7A", "A/1", "B", "B", "LM69"])
    ]
    order = rng.permutation(len(animals))
    shuffled = registry_of([animals[i] for i in order])
    straight = registry_of(animals)
    settings, calibration = Settings(candidate_coverage=0.5), FinalCalibration()
    a = identify(seen, straight, settings=settings)
    b = identify(seen, shuffled, settings=settings)
    assert a.decision == b.decision
    assert [c.animal_id for c in a.candidates] == [c.animal_id for c in b.candidates]
    assert set(a.candidate_set) == set(b.candidate_set)
    p = animal_probabilities(seen, straight, settings=settings, calibration=calibration)
    q = animal_probabilities(seen, shuffled, settings=settings, calibration=calibration)
    assert p.sum() == pytest.approx(1.0)
    np.testing.assert_allclose(q[:-1], p[order], rtol=1e-9)


def test_an_impossible_animal_changes_little() -> None:
    animals = list(HERD)
    seen = sure(animals[20].mark)
    before = identify(seen, HERD)
    after = identify(seen, registry_of([*animals, Animal("guest", "ZYXW/VUT")]))
    assert after.decision == before.decision
    assert after.candidates[0].animal_id == before.candidates[0].animal_id
    assert after.misread_risk == pytest.approx(before.misread_risk, abs=1e-3)


def test_a_turned_die_in_the_record_is_found() -> None:
    herd = registry_of([Animal("x", "A6"), Animal("y", "B1")])
    got = identify(sure("A9", chance=0.999), herd, settings=Settings(not_registered_prior=0.0001))
    assert got.candidates[0].animal_id == "x"


def test_no_reason_says_a_hundred_percent() -> None:
    """Photos show much, but never certainty."""
    registry = registry_of([Animal("a", "K17H4B2X"), Animal("b", "P93J8A5C")])
    sure_of_all = FinalCalibration(exponent=1.0, floor=0.0)
    got = identify(sure("K17H4B2X", chance=0.9999, no_mark=1e-9), registry, calibration=sure_of_all)
    assert got.candidates[0].probability > 0.9995
    assert got.reason == "the first candidate has more than 99.9 %"
