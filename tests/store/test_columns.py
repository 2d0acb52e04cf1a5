"""Columns against the rows one by one, and what changed since a number."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from legibility.containers import Status
from legibility.store.columns import (
    NOT_JUDGED,
    READ,
    UNREADABLE,
    USABLE,
    HerdColumns,
    herd_columns,
    replaced,
    touched_at,
    touched_since,
)
from legibility.store.database import HerdDatabase, create_herd
from legibility.store.handling_events import add_handling_event
from legibility.store.human_readings import add_human_reading
from legibility.store.importing import Source, import_photo, import_registry
from legibility.store.marks import put_mark, retire_mark
from legibility.store.records import HandlingEvent, HumanReading, MarkRow, PhotoRow
from tests.example_results import ambiguous_result, retake_result
from tests.store.herds import digest, registry_rows

NAN = np.nan
# 2024-05-02 is 19845 days after 1970-01-01 (date --date=2024-05-02 +%s, divided by 86400).
DAY = 19845.0


@pytest.fixture
def herd(tmp_path: Path) -> HerdDatabase:
    db = create_herd(tmp_path / "herd.db")
    import_registry(db, registry_rows(0, 3), source=Source("r", "0" * 64))
    return db


def photo(db: HerdDatabase, name: str, animal: str, at: str, **other: object) -> None:
    result = other.pop("result", ambiguous_result())
    row = PhotoRow(digest(name), name, taken_at=at, animal_id=animal, **other)  # type: ignore[arg-type]
    import_photo(db, row, result=replace(result, sha256=row.sha256))  # type: ignore[type-var]


def test_an_empty_record(tmp_path: Path) -> None:
    with create_herd(tmp_path / "herd.db") as db:
        found = herd_columns(db)
        assert touched_at(db) == 0
    assert [len(part.animal) for part in (found.marks, found.looks)] == [0, 0]
    assert len(found.animals.key) == 0


def test_looks(herd: HerdDatabase) -> None:
    first = replace(ambiguous_result().identification.candidates[0], animal_id="animal 2")
    named = replace(ambiguous_result().identification, candidates=(first,))
    read = replace(ambiguous_result(), identification=named, text="A00002")
    photo(herd, "a", "animal 2", "2024-05-02T12:00:00", result=read)
    photo(herd, "b", "animal 2", "1970-01-02", result=retake_result(), ear="right")
    photo(herd, "c", "animal 0", "", result=read, ear="left")
    photo(herd, "d", "", "2024-05-02", result=read)
    photo(herd, "e", "animal 2", "2024-05-02", result=replace(read, status=Status.UNREADABLE))
    again = replace(read, sha256=digest("c"), grade=None)
    import_photo(herd, PhotoRow(digest("c"), "c"), result=again, registry_sha256="other")
    with herd.transaction():
        seen = HumanReading("Bo", "2024-06-01", photo_sha256=digest("b"), usable=True, grade=1.0)
        add_human_reading(herd, seen)
        add_human_reading(herd, HumanReading("Bo", "2024-06-01", "A1", animal_id="animal 1"))
    looks = herd_columns(herd).looks
    herd.close()
    assert looks.animal.tolist() == [1, 3, 3, 3, 3]
    np.testing.assert_array_equal(looks.time, [NAN, 1, 1, DAY, DAY + 0.5])
    assert looks.kind.tolist() == [READ, NOT_JUDGED, USABLE, UNREADABLE, READ]
    np.testing.assert_array_equal(looks.grade, [NAN, NAN, 1.0, 2.4, 2.4])
    assert looks.is_first.tolist() == [False, False, False, True, True]
    # A photo without an ear names the only mark with the text that was read.
    assert looks.ear.tolist() == [1, 2, 2, 0, 0]
    assert looks.names_mark.tolist() == [0, 0, 0, 3, 3]


def test_animals_and_marks(herd: HerdDatabase) -> None:
    with herd.transaction():
        put_mark(herd, MarkRow("animal 1", "Z9", ear="both", applied_on="2024-05-02", ink="green"))
        retire_mark(herd, 2, on="2024-05-02")
        add_handling_event(herd, HandlingEvent("2024-05-03", "died", "animal 2"))
        add_handling_event(herd, HandlingEvent("2024-05-03", "treated", "animal 1"))
    found = herd_columns(herd)
    herd.close()
    assert found.animals.animal_id.tolist() == ["animal 0", "animal 1", "animal 2"]
    assert found.animals.is_gone.tolist() == [False, False, True]
    assert found.marks.animal.tolist() == [1, 2, 2, 3]
    assert found.marks.text.tolist() == ["A00000", "A00001", "Z9", "A00002"]
    assert found.marks.ear.tolist() == [1, 1, 3, 1]
    assert found.marks.retired.tolist() == [np.inf, DAY, np.inf, np.inf]
    assert (found.marks.applied[2], found.marks.ink[2]) == (DAY, "green")


def test_only_what_changed(herd: HerdDatabase) -> None:
    before, at = herd_columns(herd), touched_at(herd)
    photo(herd, "a", "animal 1", "2024-05-02")
    photo(herd, "b", "", "2024-05-02")
    assert touched_since(herd, at).tolist() == [2]
    at = touched_at(herd)
    with herd.transaction():
        herd.write("UPDATE photos SET animal = 3 WHERE sha256 = ?", (digest("a"),))
    assert touched_since(herd, at).tolist() == [2, 3]
    part = herd_columns(herd, animals=np.array([2, 3]))
    same(replaced(before, part, np.array([2, 3])), herd_columns(herd))
    herd.close()


def same(a: HerdColumns, b: HerdColumns) -> None:
    for name in ("animals", "marks", "looks"):
        mine, other = getattr(a, name), getattr(b, name)
        for item in fields(mine):
            left, right = getattr(mine, item.name), getattr(other, item.name)
            np.testing.assert_array_equal(left, right, err_msg=f"{name}.{item.name}")
