"""What people read, from ears and from photos."""

from __future__ import annotations

from collections.abc import Iterator

from legibility.store.animals import optional_animal_key
from legibility.store.database import HerdDatabase
from legibility.store.readings import photo_key
from legibility.store.records import HumanReading


def all_human_readings(db: HerdDatabase) -> Iterator[HumanReading]:
    """All of them by time."""
    sql = """SELECT h.reader, h.read_at, h.text, h.ear, ifnull(a.animal_id, ''),
                    ifnull(p.sha256, ''), h.usable, h.blind, h.grade, h.seconds, h.event, h.note
             FROM human_readings AS h LEFT JOIN animals AS a ON a.id = h.animal
             LEFT JOIN photos AS p ON p.id = h.photo ORDER BY h.read_at, h.id"""
    for *texts, usable, blind, grade, seconds, event_id, note in db.rows(sql):
        reader, read_at, text, ear, animal_id, photo_sha256 = texts
        yield HumanReading(
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
        )


def add_human_reading(db: HerdDatabase, reading: HumanReading) -> bool:
    """Add one; False when it is there already.

    Raises
    ------
    StoreError
        If the animal or the photo is not in the record, or neither is named.
    """
    return db.insert(
        "human_readings",
        {
            "photo": photo_key(db, reading.photo_sha256) if reading.photo_sha256 else None,
            "animal": optional_animal_key(db, reading.animal_id),
            "reader": reading.reader,
            "read_at": reading.read_at,
            "text": reading.text,
            "ear": reading.ear,
            "usable": None if reading.usable is None else int(reading.usable),
            "blind": int(reading.blind),
            "grade": reading.grade,
            "seconds": reading.seconds,
            "event": reading.event_id,
            "note": reading.note,
        },
    )
