from __future__ import annotations

import math

import numpy as np
import pytest

from legibility.containers import Animal, Given, Known
from legibility.identify.calibration import FinalCalibration, log_prior
from legibility.identify.decision import identify
from legibility.identify.ears import EarRatios, ear_ratios, mark_likelihoods
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import build_mark_table
from legibility.identify.registry import Registry, registry_of
from legibility.settings import Settings
from tests.identify.reading_builder import sure

HERD = registry_of(
    [
        Animal("two", "A123", right_mark="K777"),
        Animal("left", "B456", ear="left"),
        Animal("right", "C789", ear="right"),
        Animal("any", "D012"),
        Animal("both", "E345", ear="both"),
    ]
)
HONEST = FinalCalibration(exponent=1.0, floor=0.0)
SETTINGS = Settings()


def ratios(mark: str, ear: str, herd: Registry = HERD) -> EarRatios:
    said = sure(mark, no_mark=1e-300)
    return ear_ratios(
        mark_likelihoods(said, herd, settings=SETTINGS), said, herd,
        ear=ear, prior=log_prior(len(herd), not_registered=0.1),
        settings=SETTINGS, calibration=HONEST,
    )  # fmt: skip


def first(mark: str, ear: str):
    given = Given(Known(ear=ear))
    return identify(sure(mark), HERD, calibration=FinalCalibration(), given=given).candidates[0]


def test_each_ear_is_read_against_its_own_mark() -> None:
    assert (first("A123", "left").animal_id, first("K777", "right").animal_id) == ("two", "two")
    assert first("A123", "left").mark == "A123"
    assert first("K777", "right").mark == "K777"
    assert first("K777", "").animal_id == "two"
    assert first("K777", "").mark == "A123 + K777"


def test_a_mark_in_the_other_ear_is_a_swap_of_the_sides() -> None:
    """By hand: against "not registered" the swapped case alone, times its probability."""
    for mark, ear in (("K777", "left"), ("A123", "right")):
        got = ratios(mark, ear)
        swapped = got.swapped[0] - got.swapped[-1]
        assert got.either[0] - got.either[-1] == pytest.approx(
            math.log(SETTINGS.p_wrong_ear) + swapped, abs=1e-3
        )
        here = ratios(mark, "right" if ear == "left" else "left")
        assert here.either[0] - here.either[-1] > got.either[0] - got.either[-1] + 6


def test_an_ear_without_a_recorded_mark_says_what_not_registered_says() -> None:
    got = ratios("B456", "right")
    assert got.straight[1] == pytest.approx(got.straight[-1])
    with_swap = 0.998 * math.exp(got.straight[-1]) + 0.002 * math.exp(got.swapped[1])
    assert got.either[1] == pytest.approx(math.log(with_swap))


@pytest.mark.parametrize("ear", ["left", "right"])
@pytest.mark.parametrize(("mark", "index"), [("D012", 3), ("E345", 4)])
def test_marks_of_both_or_of_an_unknown_ear_fit_either(ear: str, mark: str, index: int) -> None:
    got = ratios(mark, ear)
    assert got.straight[index] == pytest.approx(got.swapped[index], abs=0.05)
    assert first(mark, ear).animal_id == HERD.animal_id(index)


def test_without_an_ear_two_marks_are_two_halves() -> None:
    """The mean of two likelihoods: the mark of one animal with half of its weight."""
    alone = registry_of([Animal("two", "A123"), *list(HERD)[1:]])
    said = sure("A123")
    two = mark_likelihoods(said, HERD, settings=SETTINGS).of_ear(HERD, "")
    one = mark_likelihoods(said, alone, settings=SETTINGS).of_ear(alone, "")
    assert two[0] == pytest.approx(one[0] - math.log(2), abs=1e-6)
    assert np.array_equal(two[1:-1], one[1:-1])


def test_a_registry_without_ears_does_not_ask_for_one() -> None:
    herd = registry_of([Animal("a", "A123"), Animal("b", "B456")])
    assert np.array_equal(ratios("A123", "left", herd).either, ratios("A123", "", herd).either)


@pytest.mark.parametrize("listed", ["HD782", "782"])
@pytest.mark.parametrize("read", [("HD", "782"), ("HD782",), ("782",)])
def test_a_prefix_that_the_list_or_the_ear_leaves_out(listed: str, read: tuple[str, ...]) -> None:
    # Half of the listed mark and half of the other spelling: by the definition, one by one.
    other = {"HD782": "782", "782": "HD782"}[listed]
    herd = registry_of([Animal("a", listed), Animal("b", "HD441"), Animal("c", "912")])
    seen = sure(*read)
    settings = Settings(herd_prefix="hd")
    found = mark_likelihoods(seen, herd, settings=settings)
    both = registry_log_likelihood(
        seen, build_mark_table([listed, other]), settings=settings, layouts=herd.layouts
    )
    assert found.own[0] == pytest.approx(np.logaddexp(*both) - np.log(2))
    got = identify(seen, herd, settings=settings)
    assert got.candidates[0].animal_id == "a"
    assert "HD" in got.set_basis
