"""Reasons that sum to the stated log-odds."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given as over
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from legibility.containers import Animal, Explanation, EyeReading, Given, Known, Reading, Stage
from legibility.errors import RegistryError
from legibility.identify.calibration import FinalCalibration
from legibility.identify.decision import identify
from legibility.identify.one_photo import weigh
from legibility.identify.registry import Registry, registry_of
from legibility.pipeline.explain import CountedPhoto, explain, sure_look
from legibility.pipeline.run import with_explanation
from legibility.settings import Settings
from tests.identify.reading_builder import cell, random_cell, reading, sure
from tests.pipeline.test_session import read, session, shot

HERD = registry_of(
    [
        Animal("a", "A123", ear="left", sex="female"),
        Animal("b", "A128", ear="left", sex="male"),
        Animal("c", "B777", ear="right"),
        Animal("d", "A12", right_mark="AB/12"),
        Animal("e", "A213"),
    ]
)
CALIBRATION = FinalCalibration(exponent=0.8, floor=0.01, not_registered_shift=0.3)


def told(said: Reading, animal: str, given: Given | None = None, herd: Registry = HERD):
    given = given or Given()
    got = identify(said, herd, calibration=CALIBRATION, given=given)
    asked = Given(given.known, given.readings, animal)
    got = with_explanation(got, said, herd, asked, Settings(), CALIBRATION)
    return got, got.explanation[0]


def assert_sums(explanation: Explanation) -> None:
    total = math.fsum(row.log_odds for row in explanation.rows)
    assert total == pytest.approx(explanation.log_odds, abs=1e-9)
    stated = 1 / (1 + math.exp(-explanation.log_odds))
    assert stated == pytest.approx(explanation.probability, abs=1e-9)
    assert all(row.sentence.endswith(".") for row in explanation.rows)


def doubtful() -> Reading:
    """A12 and then 3 or 8."""
    return reading(
        [[cell({"A": 0.9}), cell({"1": 0.9}), cell({"2": 0.9}), cell({"3": 0.5, "8": 0.4})]]
    )


@hypothesis_settings(deadline=None, max_examples=25)
@over(
    st.integers(0, 2**32 - 1),
    st.integers(1, 3),
    st.sampled_from(["", "left", "right"]),
    st.sampled_from(["a", "d", "e", "not-registered"]),
    st.booleans(),
)
def test_rows_sum_to_the_log_odds(
    seed: int, poses: int, ear: str, animal: str, people: bool
) -> None:
    rng = np.random.default_rng(seed)
    said = reading(*([[random_cell(rng) for _ in range(rng.integers(1, 5))]] for _ in range(poses)))
    readings = (EyeReading("A?2[38]", "Ada", 0.9), EyeReading("B777")) if people else ()
    given = Given(Known(ear=ear, sex="female", present=("a", "b")), readings)
    got, explanation = told(said, animal, given)
    assert_sums(explanation)
    wanted = None if animal == "not-registered" else animal
    found = [c.probability for c in got.candidates if c.animal_id == wanted]
    assert found == pytest.approx([explanation.probability] * len(found))


def test_rows_of_a_sure_photo() -> None:
    _, explanation = told(sure("A123"), "a")
    assert_sums(explanation)
    assert [row.kind for row in explanation.rows] == [
        "prior", "length", *["character"] * 4, "application", "caution",
    ]  # fmt: skip
    first = explanation.rows[0]
    assert first.log_odds == pytest.approx(math.log(0.18 / 0.82))
    by_place = [row.log_odds for row in explanation.rows if row.kind == "character"]
    assert by_place[3] > by_place[0], "3 or 8 tells a from b, the A tells it from c only"


def test_a_character_is_worth_what_it_leaves_of_the_herd() -> None:
    """K000 to K199: the K leaves all, the first figure half, the next a tenth."""
    herd = registry_of([Animal(str(n), f"K{n:03d}") for n in range(200)])
    _, explanation = told(sure("K117"), "117", herd=herd)
    worth = [row.log_odds for row in explanation.rows if row.kind == "character"]
    assert abs(worth[0]) < 0.25
    assert worth[1:3] == pytest.approx([math.log(2), math.log(10)], abs=0.15)


def test_swapped_dies_are_named_and_speak_for_the_animal() -> None:
    herd = registry_of([Animal("a", "A123"), Animal("z", "Z999")])
    _, explanation = told(sure("A132"), "a", herd=herd)
    row = next(row for row in explanation.rows if row.kind == "application")
    assert row.log_odds > 3
    assert "A132 in place of A123" in row.sentence


def test_the_place_that_separates_the_first_two_is_found() -> None:
    _, explanation = told(doubtful(), "b")
    assert (explanation.first.animal_id, explanation.second.animal_id) == ("a", "b")
    cell_ = explanation.deciding[0]
    assert (cell_.row, cell_.cell, cell_.first, cell_.second) == (0, 3, "3", "8")
    assert cell_.log_odds == pytest.approx(0.8 * math.log(0.5 / 0.4), abs=0.02)
    assert cell_.expected > explanation.first.probability + 0.2
    assert 0.0 <= cell_.settles <= 1.0


def test_no_place_separates_animals_with_one_mark() -> None:
    herd = registry_of([Animal("a", "A123"), Animal("b", "A123")])
    _, explanation = told(sure("A123"), "a", herd=herd)
    assert explanation.deciding == ()


@pytest.mark.parametrize("place", range(4))
def test_what_a_sure_look_may_show_averages_to_what_is_known(place: int) -> None:
    """The mean of the probabilities after a look is the probability before it."""
    said = reading(
        [
            [
                cell({"A": 0.9}),
                cell({"1": 0.6, "7": 0.3}),
                cell({"2": 0.9}),
                cell({"3": 0.5, "8": 0.4}),
            ]
        ]
    )
    weighed = weigh(said, HERD, given=Given(), settings=Settings(), calibration=CALIBRATION)
    photo = CountedPhoto(0, said, "", 1.0)
    seen, after = sure_look(HERD, photo, 0, place, weighed.probabilities, settings=Settings())
    assert seen.sum() == pytest.approx(1.0)
    assert after.sum(axis=1) == pytest.approx(1.0)
    assert seen @ after == pytest.approx(weighed.probabilities, abs=2e-3)
    assert seen @ after.max(axis=1) >= weighed.probabilities.max() - 2e-3


def test_several_photos_sum_too() -> None:
    shots = (
        (shot("a.jpg", "left"), read(doubtful(), name="a.jpg")),
        (shot("b.jpg", "left", Stage.CLEANED), read(doubtful(), name="b.jpg")),
        (shot("c.jpg", "right"), read(sure("B777"), name="c.jpg")),
    )
    given = Given(Known(sex="male"), (EyeReading("A128", "Ada", 0.9),), "b")
    got = session(*shots, registry=HERD, given=given).identification
    explanation = got.explanation[0]
    assert_sums(explanation)
    assert {row.photo for row in explanation.rows} == {-1, 0, 1, 2}
    assert explanation.rows[-1].kind == "ears"
    assert got.by_eye[0].reading.reader == "Ada"


def test_a_reading_without_a_photo_is_explained() -> None:
    given = Given(readings=(EyeReading("A123", "Ada", 0.9),))
    _, explanation = told(Reading((), 0.0), "a", given)
    assert_sums(explanation)
    assert [row.kind for row in explanation.rows] == ["prior", "person"]


def test_an_animal_that_is_not_there_is_refused() -> None:
    weighed = weigh(doubtful(), HERD, given=Given(), settings=Settings(), calibration=CALIBRATION)
    with pytest.raises(RegistryError, match="no animal 'ghost'"):
        explain("ghost", [], weighed, HERD, text="", settings=Settings(), calibration=CALIBRATION)
