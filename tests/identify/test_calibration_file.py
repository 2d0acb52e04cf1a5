from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from legibility.errors import ModelError
from legibility.identify.calibration import FinalCalibration, SetScores
from legibility.identify.calibration_file import (
    SCHEMA,
    calibration_sha256,
    load_final_calibration,
    save_final_calibration,
)

MADE = FinalCalibration(
    exponent=0.5,
    floor=0.01,
    not_registered_shift=-0.3,
    exponent_doubt=0.2,
    shift_size=-0.1,
    photos_fitted=200,
    records_fitted=900,
    sets=(SetScores(20, (0.0, 0.125, 0.5), (0.0,)), SetScores(400, (0.0, 0.25))),
    scored_with=FinalCalibration(exponent=0.6),
    origin="rendered photos",
)


def test_round_trip(tmp_path: Path) -> None:
    path = tmp_path / "calibration.json"
    save_final_calibration(MADE, path)
    assert load_final_calibration(path) == MADE
    assert [p.name for p in tmp_path.iterdir()] == ["calibration.json"]
    path.write_text(json.dumps({"schema": SCHEMA}))
    assert load_final_calibration(path) == FinalCalibration()


def test_the_shipped_file_says_what_it_was_fitted_on() -> None:
    shipped = load_final_calibration()
    assert shipped.photos_fitted > 0
    assert shipped.origin
    assert shipped.sets


def test_digest_follows_the_values() -> None:
    digest = calibration_sha256(MADE)
    assert len(digest) == 64
    assert calibration_sha256(replace(MADE)) == digest
    assert calibration_sha256(replace(MADE, floor=0.02)) != digest
    assert calibration_sha256(replace(MADE, scored_with=None)) != digest


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"exponent": 0}, "exponent is 0"),
        ({"floor": 1.0}, "floor is 1.0"),
        ({"floor": float("nan")}, "floor is nan"),
        ({"exponent": "1"}, "exponent is '1'"),
        ({"exponent": True}, "exponent is True"),
        ({"exponent_doubt": -0.1}, "exponent_doubt is -0.1; expected 0.0 to"),
        ({"photos_fitted": -1}, "photos_fitted is -1"),
        ({"origin": 3}, "origin is 3; expected text"),
        ({"sets": {}}, "sets is {}; expected a list"),
        ({"sets": [{"animals": 20}]}, "sets, entry 1: expected animals, registered"),
        ({"sets": [{"animals": 20, "registered": [2.0]}]}, "entry 1, registered: expected"),
        (
            {"sets": [{"animals": n, "registered": []} for n in (400, 20)]},
            "animals are [400, 20]; expected ascending",
        ),
        ({"scored_with": {"exponent": 9}}, "exponent is 9"),
        ({"scored_with": {"sets": [1]}}, "expected a calibration without sets"),
        ({"colour": 1}, "colour is no field"),
        ({"schema": 1}, "schema is 1; expected 2"),
        ({"schema": None}, "schema is None"),
        ([1], "found list"),
    ],
)
def test_bad_files(tmp_path: Path, values: object, words: str) -> None:
    path = tmp_path / "calibration.json"
    values = {"schema": SCHEMA, **values} if isinstance(values, dict) else values
    path.write_text(json.dumps(values))
    with pytest.raises(ModelError, match=r"calibration\.json") as caught:
        load_final_calibration(path)
    assert words in str(caught.value)


def test_missing_and_damaged_files(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="cannot be read"):
        load_final_calibration(tmp_path / "none.json")
    path = tmp_path / "half.json"
    path.write_text('{"schema": 2, "exp')
    with pytest.raises(ModelError, match="cannot be read"):
        load_final_calibration(path)
