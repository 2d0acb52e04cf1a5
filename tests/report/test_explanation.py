"""Prior, readings by people and explanations as people read them."""

from __future__ import annotations

import json
import math

import pytest

from legibility.containers import (
    Candidate,
    DecidingCell,
    Decision,
    Explanation,
    ExplanationRow,
    EyeEvidence,
    EyeReading,
    Identification,
    PriorStatement,
)
from legibility.report.beside import (
    by_eye_lines,
    by_eye_record,
    candidate_record,
    prior_lines,
    prior_record,
)
from legibility.report.explanation import explanation_lines, explanation_record, factor

FIRST = Candidate("goat 1", "A128", 0.8, 0.25)
SECOND = Candidate(None, "A12?", 0.2, 0.1)
ROWS = (
    ExplanationRow("prior", "known beforehand", math.log(1 / 3), "Before it had 25 %."),
    ExplanationRow("character", "row 1, place 1", math.log(12), "Read as A.", 0, 0, 0),
)
TOLD = Explanation(
    "goat 1", "A128", 0.8, math.log(4), ROWS, FIRST, SECOND,
    (DecidingCell(1, 0, 3, "8", "", math.log(20), 0.9, 0.7),),
)  # fmt: skip


def identification(**fields: object) -> Identification:
    return Identification((FIRST, SECOND), ("goat 1",), Decision.AMBIGUOUS, 0.2, (), **fields)


def joined(lines: list[str]) -> str:
    assert max(map(len, lines)) <= 100
    return " ".join(" ".join(lines).split())


@pytest.mark.parametrize(
    ("log_odds", "first", "shown"),
    [
        (math.log(20), False, "x 20"),
        (-math.log(4), False, "/ 4"),
        (math.log(1234), False, "x 1,234"),
        (-math.log(1e20), False, "/ 10^20.0"),
        (math.log(0.25), True, "1 to 4"),
        (math.log(9), True, "9 to 1"),
        (1e6, False, "x 10^434294.5"),
    ],
)
def test_odds_in_words(log_odds: float, first: bool, shown: str) -> None:
    assert factor(log_odds, first=first) == shown


def test_an_explanation_ends_at_the_stated_probability() -> None:
    text = joined(explanation_lines(identification(explanation=(TOLD,))))
    assert "known beforehand 1 to 3 25 %" in text
    assert "row 1, place 1 x 12 80 %" in text
    assert "Row 1, place 4 of photo 2: 8 against anything, x 20 for goat 1." in text
    assert "settle the identity with 70 %" in text


def test_records_are_strict_json() -> None:
    record = explanation_record(identification(explanation=(TOLD,)))
    assert record is not None
    total = sum(row["log_odds"] for row in record["rows"])
    assert total == pytest.approx(record["log_odds"])
    assert record["rows"][0]["photo"] is None
    json.dumps(record, allow_nan=False)
    assert candidate_record(Candidate("a", "A1", 0.5))["prior"] is None


def test_nothing_said_is_nothing_shown() -> None:
    plain = identification()
    assert prior_lines(plain) == by_eye_lines(plain) == explanation_lines(plain) == []
    assert prior_record(plain) is by_eye_record(plain) is explanation_record(plain) is None
    even = identification(not_registered_prior=0.1)
    assert prior_record(even) == {"not_registered": 0.1, "statements": [], "notices": []}


def test_what_was_said_and_read_is_shown_apart() -> None:
    eye = EyeEvidence(EyeReading("A12?", "A\x1bda", 0.93, "40 characters"), (SECOND,), 0.5)
    said = identification(
        not_registered_prior=0.1,
        prior=(PriorStatement("female", 7, 2, 0.01),),
        prior_notices=("ghost of pen.txt are not in the registry",),
        by_eye=(eye,),
        photo_alone=(FIRST,),
    )
    prior = joined(prior_lines(said))
    assert "Female: fits 7 registered animals, not recorded for 2; 1.0 % allowed" in prior
    assert "Before the mark was looked at: goat 1 25 %." in prior
    assert "ghost of pen.txt" in prior
    eyes = joined(by_eye_lines(said))
    assert "\x1b" not in eyes
    assert "Alone it says not in this registry (20 %); here it counts 0.50." in eyes
    assert "The photo alone says goat 1 (80 %)." in eyes
    record = by_eye_record(said)
    assert record is not None
    assert record["photo_alone"][0]["animal_id"] == "goat 1"
    assert record["readings"][0]["accuracy"] == 0.93
