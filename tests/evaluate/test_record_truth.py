"""Calibrating on the photos of a record that a transponder confirms."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from legibility import __version__
from legibility.containers import PhotoResult, Provenance, Status
from legibility.errors import TableError
from legibility.evaluate.record_truth import (
    NO_FILE,
    OTHER_EAR,
    all_results,
    kernel_data,
    recalibrate_on_record,
    record_truth,
)
from legibility.identify.calibration_file import load_final_calibration
from legibility.networks import models_sha256
from legibility.settings import Settings
from legibility.store.database import HerdDatabase, create_herd
from legibility.store.importing import RegistryRow, Source, import_photo, import_registry
from legibility.store.marks import put_mark
from legibility.store.photo_folder import digest_of
from legibility.store.records import AnimalRow, MarkRow, PhotoRow, ScanRow
from tests.example_results import PROVENANCE, ambiguous_result
from tests.identify.reading_builder import cell, reading
from tests.store.herds import digest

MARKS = [f"{letter}{number}" for letter in "ABDK" for number in range(110, 200, 9)]
NOW = Provenance(__version__, models_sha256(), Settings().sha256)


def chip(number: int) -> str:
    return f"276{number + 1:012d}"


def result(number: int, made: Provenance = NOW) -> PhotoResult:
    """One in six has a character read wrongly."""
    rng = np.random.default_rng(number)
    mark = list(MARKS[number % len(MARKS)])
    if number % 6 == 0:
        mark[int(rng.integers(len(mark)))] = "X"
    cells = [cell({c: float(rng.uniform(0.8, 0.99))}) for c in mark]
    return replace(
        ambiguous_result(),
        status=Status.READ,
        reading=reading([cells]),
        provenance=made,
        sha256=digest(str(number)),
    )


def add(db: HerdDatabase, found: PhotoResult, number: int, path: str = "gone.jpg") -> None:
    photo = PhotoRow(found.sha256, path, taken_at="2024-05-01", ear="left")
    scan = ScanRow(chip(number % len(MARKS)), f"2024-05-01T{number // 60:02d}:{number % 60:02d}:00")
    import_photo(db, photo, result=found, scan=scan)


@pytest.fixture
def herd(tmp_path: Path) -> HerdDatabase:
    db = create_herd(tmp_path / "herd.db")
    rows = [
        RegistryRow(AnimalRow(f"goat {i}"), MarkRow(f"goat {i}", mark, ear="left"), chip(i))
        for i, mark in enumerate(MARKS)
    ]
    import_registry(db, rows, source=Source("r", "0" * 64))
    return db


def test_stored_readings_of_now_are_used_and_others_read_anew(
    herd: HerdDatabase, tmp_path: Path
) -> None:
    for number in range(70):
        add(herd, result(number), number)
    file = tmp_path / "there.jpg"
    file.write_bytes(b"picture")
    older = replace(result(70, PROVENANCE), sha256=digest_of(file))
    add(herd, older, 70, str(file))
    add(herd, result(71, PROVENANCE), 71)
    with herd.transaction():
        put_mark(herd, MarkRow("goat 39", "Z1", ear="right", applied_on="2024-01-01"))
    truth = record_truth(herd, settings=Settings())
    herd.close()
    assert truth.left_out == {NO_FILE: 1, OTHER_EAR: 1}
    assert truth.to_read == (file,)
    results = all_results(truth, [result(70)])
    assert len(results) == 70
    counted = kernel_data(truth, results)
    assert counted.photos == 70
    # Every sixth photo has one wrong character; "X" is in no mark.
    wrong = sum(n % 6 == 0 for n in range(71) if n != 39)
    assert counted.characters - counted.right == wrong
    found = recalibrate_on_record(
        truth, results, settings=Settings(), current=load_final_calibration(None)
    )
    assert found.calibration.photos_fitted == 70
    assert (found.given, dict(found.left_out)) == (72, truth.left_out)


def test_without_any_confirmed_photo_it_says_how_to_get_some(herd: HerdDatabase) -> None:
    with pytest.raises(TableError, match="--pair-within"):
        record_truth(herd, settings=Settings())
    herd.close()
