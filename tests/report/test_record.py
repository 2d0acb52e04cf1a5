"""The JSON contract, field by field."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.containers import Flag, Grade
from legibility.photo.flags import names
from legibility.report.record import (
    FIELDS,
    flag_names,
    json_line,
    result_record,
)
from legibility.report.rounding import round_probability
from tests.example_results import (
    ambiguous_result,
    example_results,
    identified_result,
    retake_result,
)

CONTRACT = [
    "photo",
    "sha256",
    "status",
    "flags",
    "reasons",
    "text",
    "rows",
    "rotation_deg",
    "mirrored",
    "grade",
    "candidates",
    "candidate_set",
    "decision",
    "misread_risk",
    "provenance",
    "seconds",
    "prior",
    "by_eye",
    "explanation",
    "differs",
    "same_characters",
    "layouts",
]
"""Names and order that other programs rely on, written down a second time on purpose."""
WAY = 0.98**0.5
"""Weight of what is read in the way round that the example was read in."""


def test_fields_come_in_the_order_of_the_contract() -> None:
    assert list(FIELDS) == CONTRACT
    for result in example_results():
        assert list(json.loads(json_line(result_record(result)))) == CONTRACT


def test_values_of_an_ambiguous_photo() -> None:
    record = json.loads(json_line(result_record(ambiguous_result())))
    assert record["status"] == "read"
    assert record["flags"] == ["hair", "seen_mirrored"]
    assert record["text"] == "AB3/47?"
    assert [[cell["character"] for cell in row] for row in record["rows"]] == [
        ["A", "B", "3"],
        ["4", "7", "5"],
    ]
    # 0.80 and 0.17 by the photo; a number has begun before or behind this place (0.626 and 0.340),
    # and the way round has 0.98, which counts by its square root.
    doubtful = record["rows"][0][1]
    assert list(doubtful) == ["character", "probability", "alternatives", "quad", "needles"]
    assert doubtful["probability"] == pytest.approx(0.626 * WAY + (1 - WAY) / 37, abs=1e-3)
    assert doubtful["alternatives"]["8"] == pytest.approx(0.340 * WAY + (1 - WAY) / 37, abs=1e-3)
    assert next(iter(doubtful["alternatives"])) == "8"
    assert doubtful["quad"] == [[30, 10], [50, 10], [50, 40], [30, 40]]
    assert doubtful["needles"] == {"expected": 12, "inked": 10.6}
    assert record["rotation_deg"] == 172.0
    assert record["mirrored"] is True
    assert record["grade"]["overall"] == 2.4
    assert record["grade"]["parameters"]["separation"] is None
    assert record["candidates"][0] == {
        "animal_id": "goat 0142",
        "mark": "AB3/475",
        "probability": 0.71,
        "prior": None,
    }
    assert record["candidates"][2]["animal_id"] is None
    assert record["candidate_set"] == ["goat 0142", "goat 0188", None]
    assert record["decision"] == "ambiguous"
    assert record["misread_risk"] == 0.29
    assert list(record["provenance"]) == [
        "version",
        "model_sha256",
        "settings_sha256",
        "calibration_sha256",
    ]


def test_a_photo_without_a_reading_has_empty_values_not_missing_ones() -> None:
    record = result_record(retake_result())
    assert record["rows"] == []
    assert record["grade"] is None
    assert record["rotation_deg"] is None
    assert record["candidates"] == []


def test_alternatives_and_character_account_for_nearly_everything() -> None:
    for row in result_record(ambiguous_result())["rows"]:
        for cell in row:
            total = cell["probability"] + sum(cell["alternatives"].values())
            assert total == pytest.approx(1.0, abs=37 * 0.001)


def test_almost_certain_is_not_rounded_to_certain() -> None:
    record = result_record(identified_result())
    assert 0.99999 < record["candidates"][0]["probability"] < 1
    assert 0 < record["misread_risk"] < 1e-5


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_rounded_probabilities_are_always_json(value: float) -> None:
    rounded = round_probability(value)
    assert rounded is None if not math.isfinite(value) else 0 <= (rounded or 0.0) <= 1


@given(st.floats(min_value=1e-300, max_value=1, exclude_max=True))
def test_rounding_keeps_inside_of_the_unit_interval_inside(value: float) -> None:
    rounded = round_probability(value)
    assert rounded is not None
    assert 0 < rounded < 1
    assert rounded == pytest.approx(value, abs=1.1e-6)


def test_flag_names_agree_with_the_registry_of_flags() -> None:
    for bits in range(0, 2**15, 7):
        assert tuple(flag_names(Flag(bits))) == names(Flag(bits))


def test_hostile_words_stay_on_one_line_of_strict_json() -> None:
    hostile = '"}\n{"photo": "x"\u2028\udce9\x1b[31m</script>'
    result = replace(ambiguous_result(), photo=hostile, reasons=(hostile,))
    line = json_line(result_record(result))
    assert line.isascii()
    assert "\n" not in line
    assert json.loads(line)["photo"] == hostile


def test_values_that_are_not_finite_become_null() -> None:
    result = replace(
        ambiguous_result(), seconds=math.inf, grade=Grade(math.nan, {"evenness": math.inf}, "")
    )
    record = json.loads(json_line(result_record(result)))
    assert record["seconds"] is None
    assert record["grade"] == {"overall": None, "parameters": {"evenness": None}}


def test_arrays_of_numpy_scalars_are_written() -> None:
    result = ambiguous_result()
    best = replace(
        result.reading.hypotheses[0],
        rotation_deg=np.float64(-90.04),
        mirrored=np.bool_(False),
    )
    record = result_record(replace(result, reading=replace(result.reading, hypotheses=(best,))))
    assert json.loads(json_line(record))["rotation_deg"] == -90.0
    assert json.loads(json_line(record))["mirrored"] is False
