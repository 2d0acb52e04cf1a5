"""What is kept beside the record and brought up to date is what looking through all of it gives."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import fields
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from legibility.containers import Status
from legibility.pipeline import herd_kept, herd_state
from legibility.pipeline.herd_fades import fit_fades
from legibility.pipeline.herd_history import mark_history
from legibility.pipeline.herd_kept import herd_state as state_of
from legibility.pipeline.herd_ranking import rank_herd
from legibility.pipeline.herd_record import record_event, record_reading
from legibility.pipeline.herd_state import HerdState
from legibility.pipeline.worklist_items import work_items
from legibility.settings import Settings
from legibility.store.database import HerdDatabase, open_herd
from legibility.store.decisions import open_case
from legibility.store.events import append_event
from legibility.store.importing import RegistryRow, Source, import_photo, import_registry
from legibility.store.marks import put_mark
from legibility.store.records import (
    AnimalRow,
    CaseRow,
    HandlingEvent,
    HumanReading,
    MarkRow,
    PhotoRow,
)
from tests.herd_records import TODAY, add_photo, fading_herd, reading
from tests.store.herds import digest


def same(a: HerdState, b: HerdState) -> None:
    for item in fields(HerdState):
        mine, other = getattr(a, item.name), getattr(b, item.name)
        if item.name.startswith("by_"):
            assert mine.same(other), item.name
        else:
            np.testing.assert_array_equal(mine, other, err_msg=item.name)


def marked(db: HerdDatabase, name: str, text: str, ear: str, kind: str = "re-marked") -> None:
    record_event(db, HandlingEvent("2025-03-01", kind, name, "Ada", ear, text))


def new_animal(db: HerdDatabase, name: str, text: str) -> None:
    row = RegistryRow(AnimalRow(name, birth_year=2024), MarkRow(name, text, ear="left"))
    import_registry(db, [row], source=Source(f"{name}.csv", digest(name)))


def photo(db: HerdDatabase, name: str, day: str, status: Status, grade: float | None) -> None:
    with db.transaction():
        result = reading(f"{name} {day}", name, status=status, grade=grade)
        add_photo(db, result, name, date.fromisoformat(day))
        append_event(db, what="test")


def unnamed_photo_gets_a_name(db: HerdDatabase) -> None:
    row = PhotoRow(digest("who"), "who.jpg", taken_at="2025-04-04T08:00:00")
    import_photo(db, row, result=reading("who", "Ewe 004", grade=1.5))
    import_photo(db, PhotoRow(digest("who"), "who.jpg", animal_id="Ewe 004"), result=None)


def a_case_is_opened(db: HerdDatabase) -> None:
    """No animal changes, and yet a photo judges its mark no longer."""
    detail = {"photo_sha256": digest("Ewe 003 2025-05-20"), "animal_by_list": "Ewe 003"}
    with db.transaction():
        open_case(db, CaseRow("list:test", "mark against list", "Two animals.", detail))
        append_event(db, what="open cases")


def an_unnamed_photo_is_read(db: HerdDatabase) -> None:
    row = PhotoRow(digest("lone"), "lone.jpg", taken_at="2025-05-21T08:00:00", ear="left")
    import_photo(db, row, result=reading("lone", "Ewe 006", grade=2.5))


CHANGES: tuple[Callable[[HerdDatabase], object], ...] = (
    lambda db: record_reading(
        db, HumanReading("Ada", "2025-05-05", animal_id="Ewe 001", usable=False)
    ),
    lambda db: photo(db, "Ewe 002", "2025-05-06", Status.READ, 1.2),
    lambda db: photo(db, "Ewe 003", "2025-05-07", Status.UNREADABLE, None),
    lambda db: photo(db, "Ewe 003", "2025-05-08", Status.RETAKE, None),
    lambda db: marked(db, "Ewe 005", "K108", "left"),
    lambda db: marked(db, "Ewe 006", "K777", "right", "marked"),
    lambda db: new_animal(db, "Ewe new", "K103"),
    lambda db: new_animal(db, "Ewe 2nd", "AB/17"),
    lambda db: record_event(db, HandlingEvent("2025-05-09", "sold", "Ewe 007", "Ada")),
    lambda db: record_event(
        db, HandlingEvent("2025-05-09", "chipped", "Ewe 008", "Ada", "", "276000312312345")
    ),
    unnamed_photo_gets_a_name,
    an_unnamed_photo_is_read,
    lambda db: photo(db, "Ewe 003", "2025-05-20", Status.READ, 3.9),
    a_case_is_opened,
    lambda db: record_event(db, HandlingEvent("2025-05-10", "note", "", "Ada", "", "", None, "x")),
)


@pytest.fixture
def herd(tmp_path: Path) -> Iterator[HerdDatabase]:
    with fading_herd(tmp_path / "herd.db", animals=40) as db:
        yield db


def test_every_change_brought_up_to_date_is_as_looked_through(herd: HerdDatabase) -> None:
    state_of(herd, usable_grade=1.0)
    for change in CHANGES:
        change(herd)
        same(state_of(herd, usable_grade=1.0), state_of(herd, usable_grade=1.0, keep=False))
    state = state_of(herd, usable_grade=2.0)
    same(state, state_of(herd, usable_grade=2.0, keep=False))


def test_open_questions_change_what_is_known_without_a_change_of_the_animal(
    herd: HerdDatabase,
) -> None:
    day = (date(2025, 5, 20) - date(1970, 1, 1)).days
    photo(herd, "Ewe 003", "2025-05-20", Status.READ, 3.9)
    assert state_of(herd, usable_grade=1.0).last_usable[3] == day
    a_case_is_opened(herd)
    assert state_of(herd, usable_grade=1.0).last_usable[3] < day
    an_unnamed_photo_is_read(herd)
    assert state_of(herd, usable_grade=1.0).last_usable[6] == day + 1


def test_only_what_changed_is_taken_again(
    herd: HerdDatabase, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken: list[int] = []
    take = herd_kept.herd_columns

    def counted(db: HerdDatabase, *, animals: np.ndarray | None = None) -> object:
        found = take(db, animals=animals)
        taken.append(len(found.animals.key))
        return found

    monkeypatch.setattr(herd_kept, "herd_columns", counted)
    state_of(herd, usable_grade=1.0)
    state_of(herd, usable_grade=1.0)
    CHANGES[0](herd)
    state_of(herd, usable_grade=1.0)
    assert taken == [40, 1]


def test_curves_are_fitted_again_only_for_other_counts(
    herd: HerdDatabase, monkeypatch: pytest.MonkeyPatch
) -> None:
    fits: list[int] = []

    def counted(*data: object) -> object:
        fits.append(1)
        return fit_fades(*data)  # type: ignore[arg-type]

    monkeypatch.setattr(herd_state, "fit_fades", counted)
    state_of(herd, usable_grade=1.0)
    record_event(herd, HandlingEvent("2025-05-09", "sold", "Ewe 007", "Ada"))
    state_of(herd, usable_grade=1.0)
    assert len(fits) == 1
    photo(herd, "Ewe 002", "2025-05-06", Status.READ, 3.0)
    state_of(herd, usable_grade=1.0)
    assert len(fits) == 2


def test_a_copy_of_an_older_day_is_looked_through_from_the_beginning(tmp_path: Path) -> None:
    path, copy = tmp_path / "herd.db", tmp_path / "older.db"
    with fading_herd(path, animals=20) as db:
        db.backup(copy)
        for number in range(3):
            photo(db, "Ewe 003", f"2025-05-0{number + 1}", Status.UNREADABLE, None)
        state_of(db, usable_grade=1.0)
    shutil.copy(copy, path)
    with open_herd(path) as db:
        for number in range(5):
            photo(db, "Ewe 004", f"2025-05-0{number + 1}", Status.UNREADABLE, None)
        same(state_of(db, usable_grade=1.0), state_of(db, usable_grade=1.0, keep=False))


def test_another_herd_at_the_same_place(tmp_path: Path) -> None:
    path = tmp_path / "herd.db"
    with fading_herd(path, animals=10, seed=1) as db:
        state_of(db, usable_grade=1.0)
    path.unlink()
    with fading_herd(path, animals=10, seed=2) as db:
        same(state_of(db, usable_grade=1.0), state_of(db, usable_grade=1.0, keep=False))


def test_other_settings_are_other_figures(herd: HerdDatabase) -> None:
    first = state_of(herd, usable_grade=1.0)
    many = Settings(p_swap=0.2)
    other = state_of(herd, usable_grade=1.0, settings=many)
    same(other, state_of(herd, usable_grade=1.0, settings=many, keep=False))
    assert not np.array_equal(first.risk, other.risk)


def test_a_mark_in_each_ear_is_followed_for_itself(tmp_path: Path) -> None:
    with fading_herd(tmp_path / "herd.db", animals=30, fades=False) as db:
        with db.transaction():
            put_mark(db, MarkRow("Ewe 004", "Z9", ear="right", applied_on="2025-01-01"))
            put_mark(db, MarkRow("Ewe 005", "Z8", ear="right", applied_on="2025-01-01"))
            append_event(db, what="test")

        def look(name: str, usable: bool, ear: str, text: str = "") -> None:
            record_reading(db, HumanReading("Bo", str(TODAY), text, ear, name, usable=usable))

        before = state_of(db, usable_grade=1.0)
        assert before.mark[4:6].tolist() == ["Z9", "Z8"]
        look("Ewe 004", False, "right")
        look("Ewe 005", False, "left")
        look("Ewe 006", False, "right")
        look("Ewe 005", True, "", "Z8")
        look("Ewe 004", True, "")
        after = state_of(db, usable_grade=1.0)
    # 004: the mark in the right ear is lost, the one in the left ear tells it still.
    assert (after.mark[4], after.ear[4]) == ("K112", "left")
    assert np.isnan(after.first_lost[4])
    # 005: the other way round; the look without an ear is at the mark that was read.
    assert (after.mark[5], after.ear[5], after.sightings[5]) == ("Z8", "right", 1)
    assert np.isnan(after.first_lost[5])
    # 006 has no mark in that ear, and nobody said which ear of 004 was looked at.
    assert np.isnan(after.first_lost[6])
    assert after.unplaced - before.unplaced == 2
    assert after.by_age.lost == 2


def test_a_look_belongs_to_the_mark_of_that_day(tmp_path: Path) -> None:
    with fading_herd(tmp_path / "herd.db", animals=30, fades=False) as db:
        marked(db, "Ewe 004", "Q1", "left")
        for day in ("2025-02-28", "2025-03-02"):
            seen = HumanReading("Bo", day, "", "left", "Ewe 004", usable=day > "2025-03-01")
            record_reading(db, seen)
        state = state_of(db, usable_grade=1.0)
    assert state.mark[4] == "Q1"
    assert np.isnan(state.first_lost[4])
    assert state.last_usable[4] == (date(2025, 3, 2) - date(1970, 1, 1)) / timedelta(days=1)
    assert state.by_age.lost == 1


def test_reason_and_history_say_which_ear(tmp_path: Path) -> None:
    with fading_herd(tmp_path / "herd.db", animals=30, fades=False) as db:
        marked(db, "Ewe 004", "Z9", "right", "marked")
        for ear, day in (("left", "2025-04-01"), ("right", "2025-04-02")):
            seen = HumanReading("Bo", day, "", ear, "Ewe 004", usable=False)
            record_reading(db, seen)
        ranking = rank_herd(db, today=TODAY)
        shown = mark_history(db, "Ewe 004", usable_grade=1.0)
    place = ranking.state.animal.tolist().index("Ewe 004")
    (item,) = work_items(ranking, [place])
    assert item.reason.startswith("The mark in the right ear was seen lost on 2025-04-02")
    assert [s.ear for s in shown.sightings if s.by == "Bo"] == ["left", "right"]
