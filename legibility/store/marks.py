"""Marks in ears: none is ever overwritten, a re-marking adds one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from legibility.alphabet import ROW_SEPARATOR, same_mark
from legibility.store.animals import animal_key
from legibility.store.database import HerdDatabase
from legibility.store.records import MarkRow

_SAID: Final = ("ear", "applied_on", "die_set", "ink", "operator", "retired_on", "written")
"""What may be filled in later."""
_SELECT = """SELECT a.animal_id, m.text, m.ear, m.applied_on, m.die_set, m.ink, m.operator,
                    m.retired_on, m.id, m.written
             FROM marks AS m JOIN animals AS a ON a.id = m.animal"""

IS_CURRENT: Final = """m.retired_on = '' AND NOT EXISTS (
    SELECT 1 FROM marks AS n WHERE n.animal = m.animal AND n.retired_on = ''
    AND (n.applied_on, n.id) > (m.applied_on, m.id))"""
"""Whether ``marks AS m`` is the newest one of its animal that is not retired."""


def all_marks(db: HerdDatabase) -> Iterator[MarkRow]:
    """All marks, retired ones too, by animal and in the order they became known."""
    for row in db.rows(f"{_SELECT} ORDER BY m.animal, m.id"):
        yield MarkRow(*row)


def marks_of(db: HerdDatabase, animal_id: str) -> tuple[MarkRow, ...]:
    """All marks of one animal."""
    rows = db.rows(f"{_SELECT} WHERE a.animal_id = ? ORDER BY m.id", (animal_id,))
    return tuple(MarkRow(*row) for row in rows)


def current_marks(db: HerdDatabase) -> Iterator[MarkRow]:
    """The newest mark of each animal that is not retired, by the day of application."""
    for row in db.rows(f"{_SELECT} WHERE {IS_CURRENT} ORDER BY m.animal"):
        yield MarkRow(*row)


def put_mark(db: HerdDatabase, mark: MarkRow) -> str:
    """Add a mark, or fill in what was not known of it; gives ``new``, ``changed`` or ``same``.

    The same characters in the same ear of the same animal are the same mark, unless both say where
    the rows break and differ; a row break that was not known is filled in. One whose ear was not
    recorded is the same as one with the same text whose ear is. Of several, one with the very same
    text is it before others, and one that counts before one that is retired.
    """
    for known in sorted(
        marks_of(db, mark.animal_id),
        key=lambda m: (m.text != mark.text, m.retired_on != "", -m.mark_id),
    ):
        other_ear = known.ear and mark.ear and known.ear != mark.ear
        if not same_mark(known.text, mark.text) or other_ear:
            continue
        filled = {
            name: getattr(mark, name)
            for name in _SAID
            if getattr(mark, name) and not getattr(known, name)
        }
        if ROW_SEPARATOR in mark.text and ROW_SEPARATOR not in known.text:
            filled["text"] = mark.text
            if not known.written:
                filled.setdefault("written", known.text)
        if not filled:
            return "same"
        db.update("marks", filled, key="id", value=known.mark_id)
        return "changed"
    add_mark(db, mark)
    return "new"


def add_mark(db: HerdDatabase, mark: MarkRow) -> None:
    """Add a mark that was applied, also where the same characters were in that ear before."""
    said = {name: getattr(mark, name) for name in _SAID}
    key = animal_key(db, mark.animal_id)
    db.insert("marks", {"animal": key, "text": mark.text, **said})


def retire_mark(db: HerdDatabase, mark_id: int, *, on: str) -> None:
    """Say from when on a mark no longer counts, e.g. because the animal was marked anew."""
    db.update("marks", {"retired_on": on}, key="id", value=mark_id)
