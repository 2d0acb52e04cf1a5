"""Records built by hand for the tests of the store; all names are invented."""

from __future__ import annotations

import hashlib
from pathlib import Path

from legibility.store.animals import put_animal, put_chips
from legibility.store.corrections import add_corrections
from legibility.store.database import HerdDatabase, create_herd
from legibility.store.decisions import add_decision, open_case
from legibility.store.events import append_event
from legibility.store.handling_events import add_handling_event
from legibility.store.human_readings import add_human_reading
from legibility.store.importing import RegistryRow, Source, import_registry
from legibility.store.marks import put_mark
from legibility.store.photos import put_photo
from legibility.store.readings import add_readings
from legibility.store.records import (
    AnimalRow,
    CaseRow,
    ChipRow,
    CorrectionRow,
    DecisionRow,
    HandlingEvent,
    HumanReading,
    MarkRow,
    PhotoRow,
    ScanRow,
)
from legibility.store.scans import add_scan
from tests.example_results import example_results

HOSTILE = (
    "=1+1",
    "'tis",
    " @x",
    "a,b;c",
    'say "hi"',
    "two\r\nlines",
    "\tTab",
    "ünïcode 名",
    "-",
    "",
)
NUMBER = "276000312312345"
"""Example of an ICAR list of animal identifiers."""


def registry_rows(start: int, count: int) -> list[RegistryRow]:
    return [
        RegistryRow(
            AnimalRow(f"animal {i}", birth_year=2015 + i % 8, sex="female"),
            MarkRow(f"animal {i}", f"A{i:05d}", ear="left"),
        )
        for i in range(start, start + count)
    ]


def small_herd(path: Path) -> HerdDatabase:
    """Something in every table, with texts that are hard to export."""
    db = create_herd(path)
    import_registry(db, registry_rows(0, 3), source=Source("registry.csv", "0" * 64, who="Ada"))
    with db.transaction():
        for number, text in enumerate(HOSTILE):
            put_animal(db, AnimalRow(f"hostile {number}", note=text, skin=text))
            put_mark(db, MarkRow(f"hostile {number}", "B1", die_set=text, operator=text))
        put_chips(db, [ChipRow("animal 0", NUMBER, since="2020-01-01")])
        event, _ = add_handling_event(
            db, HandlingEvent("2024-05-01", "handled", "animal 0", "Ada", seconds=0.1)
        )
        scan, _ = add_scan(db, ScanRow(NUMBER, "2024-05-01T10:00:00", reader="r", event_id=event))
        for result in example_results():
            put_photo(
                db,
                PhotoRow(
                    result.sha256,
                    f"/photos/{result.photo}",
                    taken_at="2024-05-01T10:00:05",
                    animal_id="animal 0",
                    claimed_by="manifest",
                    scan_id=scan,
                ),
            )
        add_readings(db, example_results(), read_at="2024-05-02T00:00:00Z")
        add_human_reading(
            db, HumanReading("Ada", "2024-05-01", "A00?00", animal_id="animal 0", usable=True)
        )
        add_human_reading(
            db, HumanReading("Bo", "2024-05-01", photo_sha256="a" * 64, blind=True, grade=1 / 3)
        )
        open_case(db, CaseRow("k", "kind", "A sentence.", {"a": [1, None, "é"]}))
        add_decision(db, DecisionRow("2024-05-03", "Cy", "keep both", case_key="k"))
        append_event(db, what="test", who="Ada", inputs={"n": 1}, outputs={"x": "ü"})
        change = CorrectionRow("photo", "a" * 64, "stage", "", "cleaned")
        add_corrections(db, [change], what="correct photo", who="Ada", reason='=1+1 "é"')
    return db


def content(db: HerdDatabase) -> dict[str, list[tuple[object, ...]]]:
    """All rows of all tables; which animals changed in which order is no part of the record."""
    tables = [
        str(row[0])
        for row in db.rows(
            "SELECT name FROM sqlite_master WHERE type = 'table' "
            "AND name NOT IN ('touched', 'sqlite_sequence') ORDER BY name"
        )
    ]
    return {table: list(db.rows(f'SELECT * FROM "{table}" ORDER BY 1')) for table in tables}


def digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
