"""What people read, from ears and from photos."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from legibility.errors import StoreError
from legibility.store.animals import optional_animal_key
from legibility.store.database import HerdDatabase, Value
from legibility.store.readings import photo_key
from legibility.store.records import HumanReading

_COLUMNS: Final = """
    SELECT h.reader, h.read_at, h.text, h.ear, ifnull(a.animal_id, ''), ifnull(p.sha256, ''),
           h.usable, h.blind, h.grade, h.seconds, h.event, h.note, h.id"""
_JOINS: Final = """LEFT JOIN animals AS a ON a.id = h.animal
                   LEFT JOIN photos AS p ON p.id = h.photo"""


def all_human_readings(db: HerdDatabase) -> Iterator[HumanReading]:
    """All of them by time, but for those that were taken back."""
    for row in db.rows(
        f"{_COLUMNS} FROM human_readings_now AS h {_JOINS} ORDER BY h.read_at, h.id"
    ):
        yield _reading(row)


def human_readings_of_photo(db: HerdDatabase, sha256: str) -> tuple[HumanReading, ...]:
    """What people read from one photo, by time, but for what was taken back."""
    sql = f"""{_COLUMNS} FROM human_readings_now AS h {_JOINS}
              WHERE h.photo = (SELECT id FROM photos WHERE sha256 = ?)
              ORDER BY h.read_at, h.id"""
    return tuple(_reading(row) for row in db.rows(sql, (sha256,)))


def find_human_reading(db: HerdDatabase, number: int) -> tuple[HumanReading, bool]:
    """One reading by its number, and whether it counts or was taken back.

    Raises
    ------
    StoreError
        If there is none.
    """
    row = db.first(
        f"""{_COLUMNS}, EXISTS (SELECT 1 FROM human_readings_now AS n WHERE n.id = h.id)
            FROM human_readings AS h {_JOINS} WHERE h.id = ?""",
        (number,),
    )
    if row is None:
        raise StoreError(f"there is no reading by eye {number} in this record")
    return _reading(row[:-1]), bool(row[-1])


def add_human_reading(db: HerdDatabase, reading: HumanReading) -> tuple[int, bool]:
    """Add one; gives its number and whether it is new.

    Raises
    ------
    StoreError
        If the animal or the photo is not in the record, or neither is named.
    """
    photo = photo_key(db, reading.photo_sha256) if reading.photo_sha256 else None
    animal = optional_animal_key(db, reading.animal_id)
    once: dict[str, Value] = {
        "reader": reading.reader,
        "read_at": reading.read_at,
        "ear": reading.ear,
        "text": reading.text,
        "blind": int(reading.blind),
    }
    new = db.insert(
        "human_readings",
        {
            "photo": photo,
            "animal": animal,
            **once,
            "usable": None if reading.usable is None else int(reading.usable),
            "grade": reading.grade,
            "seconds": reading.seconds,
            "event": reading.event_id,
            "note": reading.note,
        },
    )
    found = db.first(
        "SELECT id FROM human_readings WHERE ifnull(photo, 0) = ? AND ifnull(animal, 0) = ? AND "
        + " AND ".join(f"{name} = ?" for name in once),
        (photo or 0, animal or 0, *once.values()),
    )
    return int(found[0]) if found else 0, new


def _reading(row: tuple[Any, ...]) -> HumanReading:
    *texts, usable, blind, grade, seconds, event_id, note, number = row
    reader, read_at, text, ear, animal_id, photo_sha256 = texts
    return HumanReading(
        reader=reader,
        read_at=read_at,
        text=text,
        ear=ear,
        animal_id=animal_id,
        photo_sha256=photo_sha256,
        usable=None if usable is None else bool(usable),
        blind=bool(blind),
        grade=grade,
        seconds=seconds,
        event_id=event_id,
        note=note,
        number=number,
    )
