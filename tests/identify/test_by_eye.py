from __future__ import annotations

import math

import numpy as np
import pytest

from legibility.alphabet import NO_CHARACTER, index_of
from legibility.containers import Animal, Decision, EyeReading, Given, Reading
from legibility.identify.by_eye import eyes, reading_by_eye
from legibility.identify.calibration import FinalCalibration, log_prior
from legibility.identify.decision import identify
from legibility.identify.registry import registry_of
from legibility.identify.sequence import PhotoEvidence, Tempering, combine
from legibility.settings import Settings
from tests.identify.reading_builder import cell, reading, sure

HERD = registry_of(
    [Animal(f"goat {n}", mark) for n, mark in enumerate(["K117", "K817", "KB17", "A330", "K819"])]
)
CALIBRATION = FinalCalibration()


def said(text: str, accuracy: float = 0.9, reader: str = "Ada") -> EyeReading:
    return EyeReading(text, reader, accuracy)


def ask(*readings: EyeReading, photo: Reading | None = None):
    given = Given(readings=readings)
    return identify(photo or Reading((), 0.0), HERD, calibration=CALIBRATION, given=given)


def doubtful() -> Reading:
    rows = [[cell({"K": 0.95}), cell({"8": 0.5, "1": 0.4}), cell({"1": 0.95}), cell({"7": 0.95})]]
    return reading(rows)


def test_a_place_by_hand() -> None:
    """Right with r; wrong are the other classes alike; of a set each member alike."""
    one, several, unread = reading_by_eye(said("K[8B]?", 0.9)).hypotheses[0].rows[0]
    assert np.exp(one.logp[index_of("K")]) == pytest.approx(0.9)
    assert np.exp(one.logp[[index_of("A"), NO_CHARACTER]]) == pytest.approx(0.1 / 36)
    assert np.exp(several.logp[[index_of("8"), index_of("B")]]) == pytest.approx(0.45)
    assert np.exp(several.logp[index_of("A")]) == pytest.approx(0.1 / 35)
    assert np.exp(unread.logp) == pytest.approx(1 / 37)
    for place in (one, several, unread):
        assert np.exp(place.logp).sum() == pytest.approx(1.0)


def test_a_reading_works_without_a_photo() -> None:
    got = ask(said("A330"))
    assert got.candidates[0].animal_id == "goat 3"
    assert got.candidates[0].mark == "A330"
    assert got.by_eye[0].weight == 1.0
    assert got.photo_alone == ()
    assert ask(said("K?17")).decision is Decision.AMBIGUOUS


def test_a_set_leaves_its_members_and_hardly_anyone_else() -> None:
    found = {c.animal_id: c.probability for c in ask(said("K[8B]17")).candidates}
    assert found["goat 1"] == pytest.approx(found["goat 2"], rel=0.05)
    assert found["goat 1"] > 10 * found["goat 0"]


def test_a_photo_alone_is_shown_as_if_nobody_had_read() -> None:
    alone = identify(doubtful(), HERD, calibration=CALIBRATION)
    got = ask(said("K117"), photo=doubtful())
    assert got.photo_alone == alone.candidates
    assert alone.candidates[0].animal_id == "goat 1"
    assert got.candidates[0].animal_id == "goat 0"
    assert got.by_eye[0].weight == Settings().by_eye_exponent
    assert got.by_eye[0].first[0].animal_id == "goat 0"


@pytest.mark.parametrize("text", ["", "????"])
def test_a_reading_that_says_nothing_changes_next_to_nothing(text: str) -> None:
    alone = identify(doubtful(), HERD, calibration=CALIBRATION)
    got = ask(said(text), photo=doubtful())
    for one, other in zip(got.candidates, alone.candidates, strict=True):
        assert one.animal_id == other.animal_id
        assert one.probability == pytest.approx(other.probability, abs=0.15)


def test_a_more_reliable_reader_counts_more() -> None:
    chances = [
        next(
            c.probability
            for c in ask(said("K117", r), photo=doubtful()).candidates
            if c.animal_id == "goat 0"
        )
        for r in (1 / 37, 0.3, 0.6, 0.9, 0.99)
    ]
    assert chances == sorted(chances)
    assert chances[-1] - chances[0] > 0.2


def test_more_readers_of_one_mark_multiply_the_odds_by_a_bounded_number() -> None:
    """Each by at most 1 + s / ((1 - s) p): with p = 1 that is prod 1 / (1 - 2**-k), 3.46 in all."""
    prior = log_prior(len(HERD), not_registered=0.1)

    def seen(count: int, beside: bool):
        readers = [said("K117", 0.9, f"reader {n}") for n in range(count)]
        return eyes(readers, HERD, ear="", prior=prior, settings=Settings(), beside_a_photo=beside)

    assert [e.weight for e in seen(3, True).readings] == [0.5, 0.25, 0.125]
    assert [e.weight for e in seen(3, False).readings] == [1.0, 0.5, 0.25]
    photo = PhotoEvidence(np.log([0.95, 0.01, 0.01, 0.01, 0.01, 0.01]) - prior)
    alone = combine([photo], prior, tempering=Tempering()).probabilities
    many = combine([photo], prior, tempering=Tempering(), added=seen(40, True).added())
    first = int(np.argmax(alone))

    def odds(chances: np.ndarray) -> float:
        return chances[first] / (1.0 - chances[first])

    shares = 0.5 ** np.arange(1, 41)
    most = np.prod(1.0 + shares / ((1.0 - shares) * 0.95))
    assert most < 3.7
    assert 1.0 <= odds(many.probabilities) / odds(alone) <= most


def test_a_partial_reading_by_an_unmeasured_reader_does_not_make_sure_of_a_photo() -> None:
    """97 % by the photo and two characters that a person names: at most twice the odds."""
    alone = ask(photo=sure("K117", chance=0.9))
    first = alone.candidates[0]
    with_eyes = ask(said("K??7", 0.8), photo=sure("K117", chance=0.9)).candidates[0]
    assert with_eyes.animal_id == first.animal_id
    assert first.probability < with_eyes.probability < 0.99
    odds, before = (p / (1 - p) for p in (with_eyes.probability, first.probability))
    assert odds <= (1.0 + 1.0 / first.probability) * before


@pytest.mark.parametrize("accuracy", [0.0, 1.0])
def test_extremes_stay_finite(accuracy: float) -> None:
    got = ask(said("K117", accuracy), said("A330", accuracy), photo=doubtful())
    total = sum(c.probability for c in got.candidates)
    assert math.isfinite(total)
    assert total == pytest.approx(1.0)


@pytest.mark.parametrize("listed", ["HD/782", "HD782"])
@pytest.mark.parametrize("typed", ["HD782", "HD/782"])
def test_what_is_typed_without_a_break_says_nothing_of_rows(listed: str, typed: str) -> None:
    herd = registry_of([Animal("a", listed), Animal("b", "HD/441"), Animal("c", "KT912")])
    given = Given(readings=(EyeReading(typed, accuracy=0.95),))
    got = identify(Reading((), 0.0), herd, given=given)
    assert got.candidates[0].animal_id == "a"
    assert got.candidates[0].probability > 0.9
