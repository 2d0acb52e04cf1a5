"""What was done with animals, and when."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from legibility.errors import StoreError
from legibility.store.animals import optional_animal_key
from legibility.store.database import HerdDatabase
from legibility.store.records import HandlingEvent

KINDS: Final = (
    "handled",
    "marked",
    "re-marked",
    "chipped",
    "tagged",
    "sedated",
    "treated",
    "moved",
    "sold",
    "died",
    "misidentified",
    "note",
)
"""Choice: what can be recorded. ``misidentified`` is a mistake that came to light later."""


def all_handling_events(db: HerdDatabase, *, animal_id: str = "") -> Iterator[HandlingEvent]:
    """All of them, or those of one animal, by time."""
    where = "WHERE a.animal_id = ?" if animal_id else ""
    sql = f"""SELECT h.happened_at, h.kind, ifnull(a.animal_id, ''), h.who, h.ear, h.text,
                     h.seconds, h.note, h.id
              FROM handling_events AS h LEFT JOIN animals AS a ON a.id = h.animal {where}
              ORDER BY h.happened_at, h.id"""
    for row in db.rows(sql, (animal_id,) if animal_id else ()):
        yield HandlingEvent(*row)


def add_handling_event(db: HerdDatabase, event: HandlingEvent) -> tuple[int, bool]:
    """Add one; gives its row number and whether it is new.

    Raises
    ------
    StoreError
        If the animal is not in the record, or the kind is none of ``KINDS``.
    """
    if event.kind not in KINDS:
        raise StoreError(f"kind is {event.kind!r}; expected one of {', '.join(KINDS)}")
    animal = optional_animal_key(db, event.animal_id)
    said = ("happened_at", "kind", "who", "ear", "text", "seconds", "note")
    values = {name: getattr(event, name) for name in said}
    new = db.insert("handling_events", {**values, "animal": animal})
    found = db.first(
        "SELECT id FROM handling_events WHERE ifnull(animal, 0) = ? AND happened_at = ? "
        "AND kind = ? AND who = ? AND ear = ? AND text = ? AND note = ?",
        (
            animal or 0,
            event.happened_at,
            event.kind,
            event.who,
            event.ear,
            event.text,
            event.note,
        ),
    )
    return int(found[0]) if found else 0, new
