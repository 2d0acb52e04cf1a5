"""What `herd check` finds, each planted on purpose."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from legibility.store.animals import put_animal
from legibility.store.checking import check_record
from legibility.store.database import HerdDatabase, create_herd, open_herd
from legibility.store.events import append_event
from legibility.store.handling_events import add_handling_event
from legibility.store.human_readings import add_human_reading
from legibility.store.marks import put_mark
from legibility.store.photos import put_photo
from legibility.store.records import (
    AnimalRow,
    HandlingEvent,
    HumanReading,
    MarkRow,
    PhotoRow,
    ScanRow,
)
from legibility.store.scans import add_scan
from tests.store.herds import NUMBER, digest, small_herd


def texts(db: HerdDatabase, kind: str, *, files: bool = False) -> list[str]:
    return [finding.text for finding in check_record(db, files=files) if finding.kind == kind]


def test_a_sound_record(tmp_path: Path) -> None:
    with small_herd(tmp_path / "herd.db") as db:
        assert check_record(db) == ()


@pytest.mark.parametrize(
    ("animal", "applied_on", "bad"),
    [
        (AnimalRow("a", birth_date="2020-05-02", birth_year=2020), "2020-05-01", True),
        (AnimalRow("a", birth_date="2020-05-02", birth_year=2020), "2020-05-02", False),
        (AnimalRow("a", birth_year=2020), "2019-12-31", True),
        (AnimalRow("a", birth_year=2020), "2020-01-01", False),
        (AnimalRow("a"), "1999-01-01", False),
    ],
)
def test_a_mark_applied_before_the_birth(
    animal: AnimalRow, applied_on: str, bad: bool, tmp_path: Path
) -> None:
    with create_herd(tmp_path / "herd.db") as db:
        with db.transaction():
            put_animal(db, animal)
            put_mark(db, MarkRow("a", "A1", applied_on=applied_on))
            put_photo(
                db, PhotoRow(digest("p"), "/p.jpg", taken_at=applied_on + "T10:00", animal_id="a")
            )
        assert len(texts(db, "dates")) == 2 * bad


def test_times_that_are_still_to_come(tmp_path: Path) -> None:
    with create_herd(tmp_path / "herd.db") as db:
        with db.transaction():
            put_photo(db, PhotoRow(digest("p"), "/p.jpg", taken_at="2999-01-01T10:00:00"))
            add_scan(db, ScanRow(NUMBER, "2999-01-01T10:00:00"))
            put_animal(db, AnimalRow("goat 1", birth_date="2999-01-01"))
            put_mark(db, MarkRow("goat 1", "A1", applied_on="2999-02-01"))
            add_handling_event(db, HandlingEvent("2999-03-01", "sold", "goat 1"))
            add_human_reading(db, HumanReading("Ada", "2999-04-01", "A1", animal_id="goat 1"))
            append_event(db, what="step", at="2999-01-01T00:00:00.000Z")
            append_event(db, what="step")
        found = texts(db, "clock")
    assert len(found) == 7
    assert sum("still to come" in text for text in found) == 6
    assert any("went backwards" in text for text in found)


def test_photos_that_moved_or_changed(tmp_path: Path) -> None:
    path = tmp_path / "ear.jpg"
    path.write_bytes(b"one")
    with create_herd(tmp_path / "herd.db") as db:
        with db.transaction():
            put_photo(db, PhotoRow(digest("one"), str(path)))
        seen: list[int] = []
        assert check_record(db, files=True, seen=seen.append) == ()
        assert seen == [1]
        path.write_bytes(b"two")
        assert "other bytes" in texts(db, "photo", files=True)[0]
        path.rename(tmp_path / "moved.jpg")
        assert "not there" in texts(db, "photo", files=True)[0]


def test_a_chain_that_was_tampered_with_by_another_program(tmp_path: Path) -> None:
    path = tmp_path / "herd.db"
    small_herd(path).close()
    connection = sqlite3.connect(path)
    connection.execute("DROP TRIGGER events_are_never_changed")
    connection.execute("UPDATE events SET who = 'Eve' WHERE seq = 1")
    connection.commit()
    connection.close()
    with open_herd(path) as db:
        assert texts(db, "chain") == ["entry 1 was changed: its hash is not that of its content"]


def test_a_row_that_points_nowhere(tmp_path: Path) -> None:
    path = tmp_path / "herd.db"
    small_herd(path).close()
    connection = sqlite3.connect(path)
    connection.execute("UPDATE marks SET animal = 999 WHERE id = 1")
    connection.commit()
    connection.close()
    with open_herd(path) as db:
        assert texts(db, "file") == ["table marks, row 1: names a row of animals that is not there"]
