"""What people record, and the cases that contradictions open."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from legibility.containers import Candidate, PhotoResult
from legibility.errors import ChipError, StoreError
from legibility.pipeline.case_sources import claims_of_case
from legibility.pipeline.herd_cases import find_cases
from legibility.pipeline.herd_kept import herd_state
from legibility.pipeline.herd_record import record_decision, record_event, record_reading
from legibility.store.animals import animals_with_chip
from legibility.store.database import HerdDatabase, create_herd
from legibility.store.decisions import all_cases, all_decisions
from legibility.store.events import all_events
from legibility.store.handling_events import all_handling_events
from legibility.store.human_readings import all_human_readings
from legibility.store.importing import RegistryRow, Source, import_photo, import_registry
from legibility.store.marks import current_marks, marks_of
from legibility.store.records import (
    AnimalRow,
    DecisionRow,
    HandlingEvent,
    HumanReading,
    MarkRow,
    PhotoRow,
    ScanRow,
)
from legibility.store.scans import add_scan
from tests.example_results import ambiguous_result, identified_result
from tests.herd_records import TODAY, fading_herd

NUMBER = "276000312312345"


@pytest.fixture
def db(tmp_path: Path) -> Iterator[HerdDatabase]:
    with create_herd(tmp_path / "herd.db") as made:
        rows = [
            RegistryRow(AnimalRow(f"goat {i}"), MarkRow(f"goat {i}", f"A{i}", ear="left"))
            for i in range(3)
        ]
        import_registry(made, rows, source=Source("r.csv", "0" * 64))
        yield made


def event(kind: str, text: str = "", ear: str = "left", animal: str = "goat 0") -> HandlingEvent:
    return HandlingEvent("2024-05-01T10:00:00", kind, animal, "Ada", ear, text)


def test_a_re_marking_retires_the_old_mark_of_that_ear(db: HerdDatabase) -> None:
    assert record_event(db, event("marked", "c9", ear="right"))
    assert record_event(db, event("re-marked", "b7"))
    assert [(m.text, m.ear, m.applied_on, m.retired_on) for m in marks_of(db, "goat 0")] == [
        ("A0", "left", "", "2024-05-01"),
        ("C9", "right", "2024-05-01", ""),
        ("B7", "left", "2024-05-01", ""),
    ]
    assert next(iter(current_marks(db))).text == "B7"


def test_the_same_mark_applied_anew_starts_anew(db: HerdDatabase) -> None:
    assert record_event(db, event("re-marked", "A0"))
    assert not record_event(db, event("re-marked", "A0"))
    assert [(m.text, m.applied_on, m.retired_on) for m in marks_of(db, "goat 0")] == [
        ("A0", "", "2024-05-01"),
        ("A0", "2024-05-01", ""),
    ]
    later = replace(event("re-marked", "A0"), happened_at="2025-05-01T10:00:00")
    assert record_event(db, later)
    assert [m.retired_on for m in marks_of(db, "goat 0")] == ["2024-05-01", "2025-05-01", ""]
    # A registry that names the mark means the one that counts, and adds none.
    row = RegistryRow(AnimalRow("goat 0"), MarkRow("goat 0", "A0", ear="left"))
    assert import_registry(db, [row], source=Source("r.csv", "1" * 64)).same == 1
    assert len(marks_of(db, "goat 0")) == 3


def test_a_mark_applied_anew_is_no_lost_mark(tmp_path: Path) -> None:
    """The faded characters were seen lost; pressed again in line they are a mark of today."""
    with fading_herd(tmp_path / "herd.db", animals=40) as herd:
        before = herd_state(herd, usable_grade=1.0, keep=False)
        lost = int(np.flatnonzero(~np.isnan(before.first_lost))[0])
        animal, mark = str(before.animal[lost]), str(before.mark[lost])
        done = HandlingEvent(f"{TODAY}T10:00:00", "re-marked", animal, "Ada", "left", mark)
        assert record_event(herd, done)
        after = herd_state(herd, usable_grade=1.0, keep=False)
    assert np.isnan(after.first_lost[lost])
    assert (str(after.mark[lost]), after.ears_taken[lost]) == (mark, 1)
    assert after.applied[lost] == (TODAY - date(1970, 1, 1)).days
    # What was seen of the old mark still counts for the curve.
    assert after.by_age.lost == before.by_age.lost
    assert after.by_age.total == before.by_age.total


def test_what_is_recorded_twice_is_there_once(db: HerdDatabase) -> None:
    assert record_event(db, event("handled"))
    assert not record_event(db, event("handled"))
    assert len(list(all_handling_events(db, animal_id="goat 0"))) == 1
    reading = HumanReading("Ada", "2024-05-01", "A?", animal_id="goat 0", blind=True)
    assert record_reading(db, reading)
    assert not record_reading(db, reading)
    assert list(all_human_readings(db)) == [reading]
    assert [e.what for e in all_events(db)] == [
        "import registry",
        "record handled",
        "record reading",
    ]


def test_chipping(db: HerdDatabase) -> None:
    assert record_event(db, event("chipped", "276 000312312345"))
    assert animals_with_chip(db, NUMBER) == ("goat 0",)
    with pytest.raises(StoreError, match="test number"):
        record_event(db, event("chipped", "999000000112233"))
    assert record_event(db, event("chipped", "999000000112233"), allow_test=True)
    with pytest.raises(ChipError):
        record_event(db, event("chipped", "12"))


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        (event("handled", animal="goat 9"), "not in this record"),
        (event("painted"), "expected one of"),
        (event("marked", "A!"), "expected A-Z"),
        (event("handled", animal=""), "needs the animal"),
        (replace(event("sold"), happened_at="2999-01-01"), "still to come"),
        (replace(event("handled"), seconds=math.nan), "seconds is nan"),
        (replace(event("handled"), seconds=math.inf), "seconds is inf"),
    ],
)
def test_what_cannot_be_recorded(db: HerdDatabase, wrong: HandlingEvent, reason: str) -> None:
    with pytest.raises(StoreError, match=reason):
        record_event(db, wrong)
    assert list(all_handling_events(db)) == []


def test_a_reading_needs_something_that_was_read(db: HerdDatabase) -> None:
    with pytest.raises(StoreError, match="needs the animal or the photo"):
        record_reading(db, HumanReading("Ada", "2024"))
    with pytest.raises(StoreError, match="import it first"):
        record_reading(db, HumanReading("Ada", "2024", photo_sha256="f" * 64))


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"text": "<B>"}, "expected A-Z, 0-9"),
        ({"grade": math.nan}, "grade is nan"),
        ({"grade": 4.5}, "grade is 4.5"),
        ({"seconds": -1.0}, "seconds is -1"),
        ({"reader": " "}, "name of who read"),
        ({"read_at": "2999-01-01"}, "still to come"),
    ],
)
def test_readings_that_cannot_be(db: HerdDatabase, changes: dict[str, Any], reason: str) -> None:
    reading = HumanReading("Ada", "2024-05-01", "A?/7", animal_id="goat 0")
    with pytest.raises(StoreError, match=reason):
        record_reading(db, replace(reading, **changes))
    assert record_reading(db, reading)


def test_a_decision_says_what_and_who(db: HerdDatabase) -> None:
    for wrong in (DecisionRow("2024", "", "keep"), DecisionRow("2024", "Cy", " ")):
        with pytest.raises(StoreError, match="needs what was decided"):
            record_decision(db, wrong)


def test_a_scan_of_another_animals_number_becomes_a_case(db: HerdDatabase) -> None:
    record_event(db, event("chipped", NUMBER))
    with db.transaction():
        add_scan(db, ScanRow(NUMBER, "2024-06-01T10:00:00", animal_id="goat 0"))
        add_scan(db, ScanRow(NUMBER, "2024-06-02T10:00:00", animal_id="goat 1"))
    found = find_cases(db)
    assert [case.kind for case in found.open] == ["transponder against list"]
    assert "was read for goat 1; it is that of goat 0" in found.open[0].summary
    assert find_cases(db).new == 0


def test_transponder_against_mark_and_list_become_cases_once(db: HerdDatabase) -> None:
    record_event(db, event("chipped", NUMBER))
    result = ambiguous_result()
    import_photo(
        db,
        PhotoRow(result.sha256, "/p/ear.jpg", animal_id="goat 1", claimed_by="manifest"),
        result=result,
        scan=ScanRow(NUMBER, "2024-05-01"),
    )
    before = [(m.animal_id, m.text) for m in current_marks(db)]
    found = find_cases(db, who="Ada")
    assert [case.kind for case in found.open] == [
        "transponder against list",
        "transponder against mark",
    ]
    assert found.new == 2
    assert find_cases(db).new == 0
    assert [(m.animal_id, m.text) for m in current_marks(db)] == before

    key = found.open[1].case_key
    decision = DecisionRow("2024-05-02", "Cy", "the transponder is in the wrong animal", "", key)
    assert record_decision(db, decision)
    assert not record_decision(db, decision)
    assert list(all_decisions(db)) == [decision]
    assert [c.case_key for c in find_cases(db).open] == [found.open[0].case_key]
    assert len(list(all_cases(db))) == 2
    with pytest.raises(StoreError, match="there is no case"):
        record_decision(db, replace(decision, case_key="nothing"))


def identified_as(animal: str, mark: str) -> PhotoResult:
    """A clear reading of a registered animal's mark."""
    result = identified_result()
    found = replace(
        result.identification,
        candidates=(Candidate(animal, mark, 0.9999), Candidate(None, "", 1e-4)),
        candidate_set=(animal,),
    )
    return replace(result, text=mark, identification=found)


def test_a_mark_that_names_another_animal_than_the_list_becomes_a_case(db: HerdDatabase) -> None:
    def photo(name: str, animal: str, by: str, result: PhotoResult) -> None:
        read = replace(result, sha256=name * 64)
        row = PhotoRow(read.sha256, f"/p/{name}.jpg", animal_id=animal, claimed_by=by)
        import_photo(db, row, result=read)

    clear = identified_as("goat 2", "A2")
    photo("a", "goat 1", "manifest", clear)
    photo("b", "goat 2", "manifest", clear)
    photo("c", "goat 1", "chip", clear)
    photo("d", "goat 1", "manifest", ambiguous_result())
    found = find_cases(db)
    (case,) = found.open
    assert (case.kind, found.new) == ("mark against list", 1)
    assert case.summary.startswith("/p/a.jpg is listed as goat 1 (manifest)")
    assert claims_of_case(case) == ("goat 2", "goat 1")
    assert find_cases(db).new == 0


def test_a_list_and_a_transponder_against_the_mark_are_one_case(db: HerdDatabase) -> None:
    record_event(db, event("chipped", NUMBER, animal="goat 1"))
    clear = identified_as("goat 2", "A2")
    import_photo(
        db,
        PhotoRow(clear.sha256, "/p/ear.jpg", animal_id="goat 1", claimed_by="manifest"),
        result=clear,
        scan=ScanRow(NUMBER, "2024-05-01"),
    )
    assert [case.kind for case in find_cases(db).open] == ["transponder against mark"]


def test_one_number_on_two_animals_becomes_a_case(db: HerdDatabase) -> None:
    for animal in ("goat 0", "goat 1"):
        record_event(db, event("chipped", NUMBER, animal=animal))
    (case,) = find_cases(db).open
    assert case.kind == "one transponder, several animals"
    assert case.detail["animals"] == ["goat 0", "goat 1"]
