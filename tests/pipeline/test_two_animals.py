"""Photos, readings by eye, transponders and earlier photos that do not go together.

Each was found by trying: photos of two animals were given as one, and the advice was to stop.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from legibility.containers import (
    Animal,
    Decision,
    EyeReading,
    Flag,
    Given,
    PhotoResult,
    Provenance,
    Reading,
    SessionResult,
    Stage,
    Status,
    Verdict,
    Witness,
)
from legibility.identify.decision import identify
from legibility.identify.registry import registry_of
from legibility.identify.step_effects import StepModel, load_step_model
from legibility.pipeline.run import final_calibration
from legibility.pipeline.session import ReadShot, Shot, combine_session
from legibility.pipeline.visit_question import apart, excludes
from legibility.report.session import session_record, session_table
from legibility.settings import Settings
from legibility.simulate.herd import make_herd
from tests.identify.reading_builder import cell, reading, sure

OTHERS = [one.mark for one in make_herd(np.random.default_rng(5), animals=100)]
MARKS = ["F362", "L575", "1429", "1428", "B068", "RK/C777"]
HERD = registry_of(
    [
        Animal(f"goat {n}", mark, chip=f"98200000000{n:04d}")
        for n, mark in enumerate([*MARKS, *(m for m in OTHERS if m not in MARKS)])
    ]
)
MODEL: StepModel = load_step_model()
SETTLED = (Verdict.SETTLED,)


def photo(said: Reading, name: str) -> ReadShot:
    calibration, _ = final_calibration(Settings())
    alone = identify(said, HERD, calibration=calibration)
    result = PhotoResult(
        name, name, Status.READ, Flag.NONE, (), "", said, alone, None, Provenance("0", "", ""), 0.5
    )
    return ReadShot(result, np.random.default_rng(list(name.encode())).random(256) < 0.5)


def visit(*readings: Reading, stage: Stage = Stage.AS_FOUND, **options: object) -> SessionResult:
    names = [f"{n}.jpg" for n in range(len(readings))]
    return combine_session(
        "goat",
        [Shot(Path(name), stage=stage) for name in names],
        [photo(said, name) for said, name in zip(readings, names, strict=True)],
        registry=HERD,
        settings=Settings(),
        model=MODEL,
        **options,
    )


def mark(text: str, chance: float = 0.97) -> Reading:
    return sure(*text.split("/"), chance=chance)


def told(result: SessionResult):
    (found,) = result.after_each[-1].check.disagreement
    return found


def not_settled(result: SessionResult) -> None:
    assert result.after_each[-1].advice.verdict is Verdict.ASK
    assert result.identification.decision is Decision.AMBIGUOUS
    assert "Settled" not in result.after_each[-1].advice.reason


@pytest.mark.parametrize("stage", [Stage.AS_FOUND, Stage.CLEANED])
def test_photos_of_two_animals_are_never_settled_on_either(stage: Stage) -> None:
    """F362 and L575, each read for sure, as one animal: both orders."""
    for marks in (("F362", "L575"), ("L575", "F362")):
        result = visit(*map(mark, marks), stage=stage)
        not_settled(result)
        found = told(result)
        assert found.question == "Two animals?"
        assert [side.mark for side in found.sides] == list(marks)
        assert [side.photos for side in found.sides] == [(0,), (1,)]
        assert [one.place for one in found.apart] == [1, 2, 3, 4]
        assert result.after_each[0].advice.verdict is Verdict.SETTLED
        assert all(c.probability < 0.95 for c in result.identification.candidates)
        total = sum(c.probability for c in result.identification.candidates)
        assert total + result.after_each[-1].check.not_one <= 1.0 + 1e-9


def test_near_twins_are_told_apart_at_the_character_that_differs() -> None:
    result = visit(mark("1429"), mark("1428"))
    not_settled(result)
    (one,) = told(result).apart
    assert (one.row, one.place, one.first, one.second) == (1, 4, "9", "8")
    assert "place 4 (9 or 8)" in result.after_each[-1].advice.reason


def test_a_stranger_among_the_photos_is_asked_about() -> None:
    """B068 of the herd, and an ear that no animal of it carries."""
    result = visit(mark("B068", 0.99), mark("ZX8Y", 0.99))
    assert result.after_each[-1].advice.verdict is not Verdict.SETTLED
    assert result.identification.decision is Decision.AMBIGUOUS


def test_the_third_photo_is_the_odd_one_out() -> None:
    found = told(visit(mark("F362"), mark("F362"), mark("L575")))
    assert [side.photos for side in found.sides] == [(0, 1), (2,)]
    assert found.answers[0].key == "other_animal"
    assert found.answers[0].photos == (2,)
    assert found.answers[0].words == "Photo 3 shows another animal"


@pytest.mark.parametrize("said", ["1428", "1427"])
def test_a_reading_by_eye_that_names_another_character_is_asked_about(said: str) -> None:
    """1428 is registered, 1427 is not; the photo shows 1429."""
    given = Given(readings=(EyeReading(said, "Ann"),))
    result = visit(mark("1429"), given=given)
    not_settled(result)
    found = told(result)
    assert [one.place for one in found.apart] == [4]
    assert found.sides[1].mark == said
    assert "by eye wrong" in found.question
    assert "reading_wrong" in [answer.key for answer in found.answers]
    witness = Witness("reading", "the reading by eye of photo 1", given.readings[0], photo=0)
    not_settled(visit(mark("1429"), witnesses=[witness]))


@pytest.mark.parametrize("said", ["1429", "14?9", "1[34]29", "??2?"])
def test_a_reading_by_eye_that_agrees_asks_nothing(said: str) -> None:
    witness = Witness("reading", "the reading", EyeReading(said, "Ann"), photo=0)
    result = visit(mark("1429"), witnesses=[witness])
    assert result.after_each[-1].advice.verdict is Verdict.SETTLED


def test_a_transponder_of_another_animal_is_asked_about() -> None:
    other = Witness("transponder", "transponder 1", animals=("goat 1",), what="1")
    result = visit(mark("F362"), witnesses=[other])
    not_settled(result)
    assert "transponder_wrong" in [answer.key for answer in told(result).answers]
    own = dataclasses.replace(other, animals=("goat 0",))
    assert visit(mark("F362"), witnesses=[own]).after_each[-1].advice.verdict is Verdict.SETTLED
    alone = visit(mark("F362")).identification.candidates[0].probability
    with_own = visit(mark("F362"), witnesses=[own]).identification.candidates[0].probability
    assert with_own <= alone + 1e-9, "a witness makes nobody more probable"


def test_an_earlier_photo_of_the_animal_that_shows_another_mark_is_asked_about() -> None:
    earlier = Witness(
        "earlier", "the photo of 2024-05-01", seen=mark("L575"), text="L575", animals=("goat 0",)
    )
    result = visit(mark("F362"), witnesses=[earlier])
    not_settled(result)
    assert told(result).sides[1].pieces == ("the photo of 2024-05-01",)
    assert "earlier_wrong" in [answer.key for answer in told(result).answers]
    same = dataclasses.replace(earlier, seen=mark("F362"), text="F362")
    assert visit(mark("F362"), witnesses=[same]).after_each[-1].advice.verdict is Verdict.SETTLED


def test_an_honest_visit_settles_though_its_first_photo_shows_little() -> None:
    little = reading([[cell({}), cell({"3": 0.3}), cell({}), cell({})]])
    hairy = reading([[cell({"F": 0.6}), cell({"3": 0.5}), cell({}), cell({"2": 0.7})]])
    for first in (little, hairy, mark("F362", 0.8)):
        result = visit(first, mark("F362"))
        assert result.after_each[-1].advice.verdict is Verdict.SETTLED
        assert result.after_each[-1].check.disagreement == ()


def test_a_near_twin_of_which_the_telling_character_is_hidden_settles_nothing() -> None:
    hidden = reading([[cell({c: 0.97}) for c in "142"] + [cell({"8": 0.35, "9": 0.01})]])
    result = visit(mark("1429"), hidden)
    assert result.after_each[-1].advice.verdict is not Verdict.SETTLED
    assert result.identification.decision is Decision.AMBIGUOUS


def test_same_animal_asks_nothing_more_and_settles_nothing_by_itself() -> None:
    result = visit(mark("F362"), mark("L575"), one_for_sure=True)
    assert result.after_each[-1].check.disagreement == ()
    assert result.after_each[-1].advice.verdict is not Verdict.SETTLED
    again = visit(mark("F362"), mark("L575"), mark("F362", 0.99), one_for_sure=True)
    # Two photos against one: which of two equally sure ones counts in full is a tie.
    assert {one.mark for one in again.identification.candidates[:2]} == {"F362", "L575"}
    assert again.identification.decision is Decision.AMBIGUOUS


def test_the_record_and_the_text_name_photos_characters_and_the_question() -> None:
    result = visit(mark("F362"), mark("L575"))
    record = session_record(result)
    assert record["decision"] == "ambiguous"
    assert record["advice"]["verdict"] == "ask"
    assert record["visit"]["not_one_animal"] > 0.05
    said = record["visit"]["disagreement"]
    assert said["question"] == "Two animals?"
    assert [side["photos"] for side in said["sides"]] == [[1], [2]]
    assert [at["place"] for at in said["apart"]] == [1, 2, 3, 4]
    text = session_table(result, caution="The vet decides.")
    assert "Two animals?" in text
    assert "^^^^" in text
    assert "--one-animal" in text
    assert "Settled" not in text
    assert session_record(visit(mark("F362")))["visit"]["disagreement"] is None


def test_without_a_registry_photos_disagree_too() -> None:
    names = ["0.jpg", "1.jpg"]
    result = combine_session(
        "goat",
        [Shot(Path(name)) for name in names],
        [photo(mark(m), n) for m, n in zip(("F362", "L575"), names, strict=True)],
        registry=None,
        settings=Settings(),
        model=MODEL,
    )
    assert result.after_each[-1].advice.verdict is Verdict.ASK
    assert result.identification.decision is Decision.AMBIGUOUS


def test_marks_are_set_beside_each_other_place_by_place() -> None:
    assert [(a.row, a.place) for a in apart("RK/C777", "RX/C771")] == [(1, 2), (2, 4)]
    assert apart("F362", "RK/C777") == ()
    assert [a.place for a in apart("F3?2", "F369")] == [4]
    assert excludes("F[36]62", "F362") is False
    assert excludes("F?62", "F363") is True
    assert excludes("F62", "F362") is None
