"""Several photos of one animal as JSON and as text."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from legibility.containers import (
    Advice,
    Decision,
    Flag,
    SessionMoment,
    SessionPhoto,
    SessionResult,
    Stage,
    StepWorth,
    Verdict,
)
from legibility.report.layout import shown_width
from legibility.report.record import FIELDS as PHOTO_FIELDS
from legibility.report.record import json_line
from legibility.report.session import (
    FIELDS,
    session_heading,
    session_line,
    session_record,
    session_table,
)
from tests.example_results import PROVENANCE, ambiguous_result

STEPS = (
    StepWorth(Stage.CLIPPED, 3.0, 0.41, "150 simulated steps", True),
    StepWorth(Stage.OTHER_ANGLE, 1.0, 0.0, "34 of the herd's own records", False),
)


def example(verdict: Verdict = Verdict.STEP, *, name: str = "goat 9") -> SessionResult:
    result = ambiguous_result(name + ".jpg")
    first = result.identification.candidates[:1]
    advice = Advice(verdict, STEPS, 2.5, 10.0, "Not settled. Next: clip.")
    moment = SessionMoment(first, Decision.AMBIGUOUS, advice)
    photos = (
        SessionPhoto(result, "left", Stage.AS_FOUND, -1, 1.0),
        SessionPhoto(replace(result, flags=Flag.HAIR), "left", Stage.CLEANED, 0, 0.0),
    )
    return SessionResult(
        session=name,
        photos=photos,
        text="AB3/47?",
        identification=result.identification,
        after_each=(moment, moment),
        notices=("b.jpg shows the same shot as a.jpg; it counts once",),
        provenance=PROVENANCE,
        seconds=2.0,
    )


def test_the_record_has_its_fields_in_order_and_each_photo_its_own() -> None:
    record = json.loads(json_line(session_record(example())))
    assert tuple(record) == FIELDS
    first, second = record["photos"]
    assert set(PHOTO_FIELDS) <= set(first)
    assert (first["duplicate_of"], second["duplicate_of"]) == (None, 0)
    assert second["stage"] == "cleaned"
    assert record["advice"]["next_step"] == "clipped"
    assert record["advice"]["settles"] == pytest.approx(0.41)
    assert record["after_each"][0]["first_candidate"]["animal_id"] == "goat 0142"


def test_without_a_step_to_take_none_is_named() -> None:
    for verdict in (Verdict.SETTLED, Verdict.STOP):
        advice = session_record(example(verdict))["advice"]
        assert advice["verdict"] == verdict.value
        assert advice["next_step"] is None
        assert advice["settles"] is None


@pytest.mark.parametrize("verdict", list(Verdict))
def test_text_fits_into_the_terminal_and_defers(verdict: Verdict) -> None:
    text = session_table(example(verdict, name="goat " * 60), caution="The vet decides.")
    assert max(map(shown_width, text.splitlines())) <= 100
    assert "The vet decides." in text
    assert "goat 0142" in text
    if verdict is Verdict.SETTLED:
        assert "It was so after photo 1." in text
    elif verdict is not Verdict.ASK:
        assert "no time left" in text


def test_hostile_names_cannot_steer_the_terminal() -> None:
    hostile = example(name="\x1b[31mgoat\u202e")
    for text in (session_table(hostile, caution=""), session_line(hostile)):
        assert "\x1b" not in text
        assert "\u202e" not in text


def test_one_line_an_animal() -> None:
    line, heading = session_line(example()), session_heading()
    assert "next: clipped" in line
    assert shown_width(line) <= 100
    assert heading.index("Advice") == line.index("next")
    assert session_line(example(Verdict.SETTLED)).endswith("settled")
