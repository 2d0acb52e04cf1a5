"""Tries to read transponders."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator

from legibility.errors import StoreError
from legibility.store.animals import optional_animal_key
from legibility.store.database import HerdDatabase
from legibility.store.records import ScanRow

_COLUMNS = """SELECT s.number, s.scanned_at, s.outcome, s.reader, s.raw, s.form,
                     ifnull(a.animal_id, ''), s.event, s.seconds, s.note, s.id"""
_SELECT = f"{_COLUMNS} FROM scans_now AS s LEFT JOIN animals AS a ON a.id = s.animal"


def all_scans(db: HerdDatabase) -> Iterator[ScanRow]:
    """All scans by time, but for those that were taken back."""
    for row in db.rows(f"{_SELECT} ORDER BY s.scanned_at, s.id"):
        yield ScanRow(*row)


def scanned_animals(
    db: HerdDatabase, *, animals: Collection[str] | None = None
) -> Iterator[tuple[str, str, str]]:
    """Each animal that a log names with each number read for it, and when it was first so.

    Parameters
    ----------
    animals : collection of str, optional
        Only these.
    """
    some = (
        ""
        if animals is None
        else """AND s.animal IN (
                SELECT id FROM animals WHERE animal_id IN (SELECT value FROM json_each(?)))"""
    )
    sql = f"""SELECT a.animal_id, s.number, min(s.scanned_at)
             FROM scans_now AS s JOIN animals AS a ON a.id = s.animal
             WHERE s.outcome = 'read' {some}
             GROUP BY s.animal, s.number ORDER BY min(s.id)"""
    asked = () if animals is None else (json.dumps(list(animals)),)
    for animal_id, number, at in db.rows(sql, asked):
        yield str(animal_id), str(number), str(at)


def scans_of(db: HerdDatabase, animal_id: str) -> tuple[ScanRow, ...]:
    """Scans of an animal by time: of its transponders, or said to be of it."""
    sql = f"""{_SELECT} WHERE a.animal_id = ? OR (s.number <> '' AND s.number IN (
                SELECT c.number FROM chips AS c JOIN animals AS o ON o.id = c.animal
                WHERE o.animal_id = ?)) ORDER BY s.scanned_at, s.id"""
    return tuple(ScanRow(*row) for row in db.rows(sql, (animal_id, animal_id)))


def find_scan(db: HerdDatabase, number: int) -> tuple[ScanRow, bool]:
    """One scan by its number, and whether it counts or was taken back.

    Raises
    ------
    StoreError
        If there is none.
    """
    row = db.first(
        f"""{_COLUMNS}, EXISTS (SELECT 1 FROM scans_now AS n WHERE n.id = s.id)
            FROM scans AS s LEFT JOIN animals AS a ON a.id = s.animal WHERE s.id = ?""",
        (number,),
    )
    if row is None:
        raise StoreError(f"there is no scan {number} in this record")
    return ScanRow(*row[:-1]), bool(row[-1])


def add_scan(db: HerdDatabase, scan: ScanRow) -> tuple[int, bool]:
    """Add a scan; gives its row number and whether it is new.

    The same number at the same time from the same reader is the same scan.
    """
    animal = optional_animal_key(db, scan.animal_id)
    said = ("number", "scanned_at", "outcome", "reader", "raw", "form", "seconds", "note")
    values = {name: getattr(scan, name) for name in said}
    new = db.insert("scans", {**values, "animal": animal, "event": scan.event_id})
    found = db.first(
        "SELECT id FROM scans WHERE number = ? AND scanned_at = ? AND reader = ? "
        "AND outcome = ? AND ifnull(animal, 0) = ?",
        (scan.number, scan.scanned_at, scan.reader, scan.outcome, animal or 0),
    )
    return int(found[0]) if found else 0, new
