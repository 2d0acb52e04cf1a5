"""The file of fitted numbers: what is written is read back, and nothing is made up."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import Any

import pytest

from legibility.errors import ModelError, OutputError
from legibility.read.calibration import Calibration
from legibility.read.fusion import FusionWeights, PoolWeights
from legibility.read.presence import PresenceModel
from legibility.read.reading_model import (
    DEFAULT_PATH,
    ReadingModel,
    load_reading_model,
    save_reading_model,
)
from legibility.read.twins import TwinModel

MODEL = ReadingModel(
    fusion=FusionWeights(PoolWeights(0.9, 0.2, 0.1, -3.0), PoolWeights(1.0, 0.25, 0.0, -4.0)),
    calibration=Calibration((0.1, 0.9), (1.7, 1.1), (0.02, 0.001)),
    twins=TwinModel((0.4, 0.6)),
    presence=PresenceModel(0.4, 1.3, 0.5),
    fitted_on="twelve rows made up for this test",
)


def test_what_is_saved_is_loaded_with_the_digest_of_the_bytes(tmp_path: Path) -> None:
    path = tmp_path / "reading.json"
    saved = save_reading_model(MODEL, path)
    loaded = load_reading_model(path)
    assert loaded == saved
    assert (loaded.fusion, loaded.calibration) == (MODEL.fusion, MODEL.calibration)
    assert loaded.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert os.listdir(tmp_path) == ["reading.json"]
    assert path.stat().st_mode & 0o444 == 0o444


def test_the_shipped_file_is_valid() -> None:
    model = load_reading_model()
    assert model.sha256 == hashlib.sha256(DEFAULT_PATH.read_bytes()).hexdigest()
    assert model.fitted_on


def _paths(values: Any, before: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    if not isinstance(values, dict):
        return []
    return [p for k, v in values.items() for p in [(*before, k), *_paths(v, (*before, k))]]


def test_any_missing_key_is_named_and_never_replaced(tmp_path: Path) -> None:
    path = tmp_path / "reading.json"
    save_reading_model(MODEL, path)
    text = path.read_text()
    keys = _paths(json.loads(text))
    assert len(keys) == 24
    for *parents, key in keys:
        values = json.loads(text)
        inner = values
        for parent in parents:
            inner = inner[parent]
        del inner[key]
        path.write_text(json.dumps(values))
        with pytest.raises(ModelError, match=f"{key}' is missing") as caught:
            load_reading_model(path)
        assert str(path) in str(caught.value)
        assert caught.value.exit_code == 8


@pytest.mark.parametrize(
    ("where", "value", "message"),
    [
        (("format",), 4, "format is 4"),
        (("fusion",), [], "list"),
        (("fusion", "with_second", "network"), "1", "expected a number"),
        (("fusion", "with_second", "network"), True, "expected a number"),
        (("fusion", "with_second", "needle"), -0.5, "negative"),
        (("fusion", "without_second", "no_character"), 1e300, "between"),
        (("calibration", "temperatures"), 1.0, "list of numbers"),
        (("calibration", "temperatures"), [1.0, 0.0], "positive"),
        (("calibration", "doubts"), [0.0, 0.1], "doubts"),
        (("calibration", "conditions"), [1.0, 0.5], "increase"),
        (("calibration", "conditions"), [0.5], "as many"),
    ],
)
def test_values_that_cannot_be_used_are_named(
    tmp_path: Path, where: tuple[str, ...], value: object, message: str
) -> None:
    path = tmp_path / "reading.json"
    save_reading_model(MODEL, path)
    values = json.loads(path.read_text())
    inner = values
    for key in where[:-1]:
        inner = inner[key]
    inner[where[-1]] = value
    path.write_text(json.dumps(values))
    with pytest.raises(ModelError, match=message):
        load_reading_model(path)


@pytest.mark.parametrize("data", [b"", b"{", b"[1]", b"null", b"\xff\xfe", b'{"format": NaN}'])
def test_files_that_are_no_model_are_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "reading.json"
    path.write_bytes(data)
    with pytest.raises(ModelError, match=r"reading\.json"):
        load_reading_model(path)


def test_a_missing_file_is_a_model_error(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="cannot be read"):
        load_reading_model(tmp_path / "nothing.json")


def test_a_failed_write_leaves_nothing_behind(tmp_path: Path) -> None:
    blocked = tmp_path / "reading.json"
    blocked.mkdir()  # a directory cannot be replaced by a file
    (blocked / "kept").touch()
    with pytest.raises(OutputError, match="cannot be written"):
        save_reading_model(MODEL, blocked)
    assert os.listdir(tmp_path) == ["reading.json"]
    with pytest.raises(OutputError):
        save_reading_model(MODEL, tmp_path / "no" / "such" / "folder.json")
