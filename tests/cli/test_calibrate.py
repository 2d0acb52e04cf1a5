from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from click.testing import Result

from legibility import pipeline as real_pipeline
from legibility.batch.ordered import failed_result
from legibility.containers import PhotoResult, Status
from legibility.errors import ModelError, PhotoError
from legibility.identify.calibration_file import load_final_calibration
from tests.identify.reading_builder import cell, reading

Run = Callable[..., Result]
MARKS = [f"{letter}{number}" for letter in "ABDK" for number in range(110, 200, 9)]


def read_by_mark(path: Path, **_: object) -> PhotoResult:
    """The mark is in the file's name; one in six has a character read wrongly."""
    number, mark = path.stem.split("_")
    if mark == "lost":
        raise PhotoError(f"{path}: is no picture")
    rng = np.random.default_rng(int(number))
    shown = list(mark)
    if int(number) % 6 == 0:
        shown[int(rng.integers(len(shown)))] = "X"
    cells = [cell({c: float(rng.uniform(0.8, 0.99))}) for c in shown]
    return replace(
        failed_result(path, ""),
        status=Status.READ,
        sha256=hashlib.sha256(path.name.encode()).hexdigest(),
        reading=reading([cells]),
    )


@pytest.fixture(autouse=True)
def reader_of_marks(monkeypatch: pytest.MonkeyPatch) -> None:
    pipeline = ModuleType("legibility.pipeline")
    pipeline.__path__ = real_pipeline.__path__
    pipeline.__dict__.update(read=read_by_mark, read_steps=read_by_mark)
    monkeypatch.setitem(sys.modules, "legibility.pipeline", pipeline)


def write_herd(folder: Path, *, photos: int) -> tuple[Path, Path]:
    registry, truth = folder / "herd.csv", folder / "truth.csv"
    rows = [f"goat {i:02d},{mark}" for i, mark in enumerate(MARKS)]
    registry.write_text("\n".join(["animal_id,mark", *rows]))
    lines = ["photo,animal_id"]
    for number in range(photos):
        if number % 10 == 9:
            lines.append(f"{number}_Q7{number:02d}.jpg,")
        else:
            animal = number * 7 % len(MARKS)
            lines.append(f"{number}_{MARKS[animal]}.jpg,goat {animal:02d}")
    lines.append("999_lost.jpg,")
    truth.write_text("\n".join(lines))
    return registry, truth


def test_it_reports_and_writes_a_file_that_read_takes(run: Run, tmp_path: Path) -> None:
    registry, truth = write_herd(tmp_path, photos=70)
    done = run("calibrate", truth, "--registry", registry, "--jobs", "1", "--json", "out.json")
    assert done.exit_code == 0, done.output
    assert "Photos: 71 given, 70 used" in done.output
    assert "1 left out: cannot be used as a photo, first" in done.output
    assert "999_lost.jpg: is no picture" in " ".join(done.output.split())
    assert "before    after" in done.output
    assert "First candidate, after" in done.output
    made = load_final_calibration(tmp_path / "calibration.json")
    assert made.photos_fitted == 70
    record = json.loads((tmp_path / "out.json").read_text())
    assert record["after"]["photos"] == 70
    assert record["after"]["brier"]["score"] <= 0.3

    photo = tmp_path / "3_A110.jpg"
    again = run("read", photo, "--calibration", "calibration.json", "--json", "-")
    assert json.loads(again.stdout.splitlines()[0])["photo"].endswith("3_A110.jpg")


def test_too_few_photos_and_bad_files(run: Run, tmp_path: Path) -> None:
    registry, truth = write_herd(tmp_path, photos=30)
    done = run("calibrate", truth, "--registry", registry, "--jobs", "1")
    assert done.exit_code == 5
    assert "30 of 31 photos can be used" in done.output
    assert "expected at least 50" in done.output
    assert not (tmp_path / "calibration.json").exists()
    (tmp_path / "bad.json").write_text('{"schema": 2, "floor": 7}')
    done = run("calibrate", truth, "--registry", registry, "--calibration", "bad.json")
    assert done.exit_code == ModelError.exit_code
    assert "floor is 7; expected 0.0 to 0.9" in done.output
    done = run("read", tmp_path / "3_A110.jpg", "--calibration", tmp_path / "none.json")
    assert done.exit_code == ModelError.exit_code
    (tmp_path / "settings.toml").write_text('calibration_file = "bad.json"')
    done = run("read", tmp_path / "3_A110.jpg", "--settings", "settings.toml")
    assert done.exit_code == ModelError.exit_code
    assert run("calibrate", truth).exit_code == 2
    assert run("calibrate").exit_code == 2
    assert run("calibrate", "--from", "herd.db", "--registry", registry).exit_code == 2
    both = run("calibrate", truth, "--registry", registry, "--counts", "counts.csv")
    assert (both.exit_code, "--counts needs --from" in both.output) == (2, True)
