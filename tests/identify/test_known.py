from __future__ import annotations

import numpy as np
import pytest

from legibility.containers import Animal, Given, Known
from legibility.identify.calibration import FinalCalibration
from legibility.identify.decision import identify
from legibility.identify.known import animal_prior
from legibility.identify.registry import registry_of
from legibility.settings import Settings
from tests.identify.reading_builder import cell, reading

HERD = registry_of(
    [
        Animal("a", "A1", birth_year=2018, sex="female", status="present"),
        Animal("b", "A2", birth_year=2020, sex="M", status="dead"),
        Animal("c", "A3", birth_year=0, sex="", status="sold"),
        Animal("d", "A4", birth_year=2020, sex="ewe"),
    ]
)
SETTINGS = Settings(not_registered_prior=0.1, p_not_present=0.02, p_record_wrong=0.01)


def chances(known: Known) -> np.ndarray:
    return np.exp(animal_prior(HERD, known, settings=SETTINGS).logp)


def by_hand(*weights: float) -> list[float]:
    return [*(0.9 * np.array(weights) / sum(weights)), 0.1]


@pytest.mark.parametrize(
    ("known", "weights"),
    [
        (Known(), (1, 1, 1, 1)),
        (Known(ear="left"), (1, 1, 1, 1)),
        (Known(alive=True), (1, 0.01, 1, 1)),
        (Known(sex="female"), (1, 0.01, 0.5, 1)),
        (Known(sex="male"), (0.01, 1, 0.5, 0.01)),
        (Known(born=(2019, 2021)), (0.01, 1, 0.5, 1)),
        (Known(born=(0, 2018)), (1, 0.01, 0.5, 0.01)),
        (Known(born=(2019, 0), sex="female"), (0.01, 0.01, 0.25, 1)),
        (Known(present=("a", "b")), (0.49, 0.49, 0.01, 0.01)),
        (Known(present=("a", "b"), alive=True), (0.98 / 1.01, 0.98 * 0.01 / 1.01, 0.01, 0.01)),
        (Known(present=("a", "b", "c", "d")), (1, 1, 1, 1)),
    ],
)
def test_prior_by_hand(known: Known, weights: tuple[float, ...]) -> None:
    assert chances(known) == pytest.approx(by_hand(*weights))


def test_who_is_not_on_the_list_shares_the_rest_whatever_their_number() -> None:
    herd = registry_of([Animal(f"{n}", f"{n:04d}") for n in range(5000)])
    prior = animal_prior(herd, Known(present=("7", "8")), settings=SETTINGS)
    assert np.exp(prior.logp[[7, 8]]).sum() == pytest.approx(0.9 * 0.98)
    assert np.exp(prior.logp).sum() == pytest.approx(1.0)


def test_what_was_said_is_told_with_how_many_fit() -> None:
    prior = animal_prior(
        HERD, Known(present=("a", "ghost", "a"), present_name="pen.txt", sex="male"),
        settings=SETTINGS,
    )  # fmt: skip
    told = [(s.said, s.fitting, s.not_recorded, s.otherwise) for s in prior.statements]
    assert told == [("present by pen.txt (3 listed)", 1, 0, 0.02), ("male", 1, 1, 0.01)]
    assert prior.notices == ("ghost of pen.txt are not in the registry",)


def test_a_list_that_fits_nobody_changes_nothing_and_says_so() -> None:
    prior = animal_prior(HERD, Known(present=("x", "y")), settings=SETTINGS)
    assert np.exp(prior.logp) == pytest.approx(by_hand(1, 1, 1, 1))
    assert "no registered animal fits" in prior.notices[-1]


def test_probabilities_go_by_bayes_rule_and_nobody_is_ruled_out() -> None:
    """A place that may be 1 or 2 alike: the odds after are those before."""
    said = reading([[cell({"A": 0.99}), cell({"1": 0.45, "2": 0.45})]], no_mark=1e-300)
    honest = FinalCalibration(exponent=1.0, floor=0.0)
    got = identify(
        said, HERD, settings=SETTINGS, calibration=honest, given=Given(Known(alive=True))
    )
    found = {c.animal_id: c for c in got.candidates}
    assert found["a"].probability / found["b"].probability == pytest.approx(100, rel=1e-3)
    assert found["b"].probability > 0.001
    assert found["a"].prior == pytest.approx(0.9 / 3.01)
    assert got.prior[0].said == "alive"
    assert got.not_registered_prior == pytest.approx(0.1)
    assert "said" in got.set_basis


def test_a_mark_that_is_read_surely_wins_against_the_list() -> None:
    said = reading([[cell({"A": 0.999}), cell({"3": 0.999})]], no_mark=1e-6)
    given = Given(Known(present=("a", "b"), alive=True, sex="male"))
    got = identify(said, HERD, calibration=FinalCalibration(), given=given)
    assert got.candidates[0].animal_id == "c"
