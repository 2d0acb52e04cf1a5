"""Takes back what a person did last, or any entry that nothing was built on."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, Final

from legibility.errors import StoreError
from legibility.pipeline.herd_cases import SETTLE
from legibility.pipeline.herd_corrections import (
    Changes,
    Corrected,
    put_changes,
)
from legibility.pipeline.herd_mistaken import taken_back
from legibility.store.corrections import (
    all_corrections,
    corrections_of,
    photo_value,
    standing,
)
from legibility.store.database import HerdDatabase
from legibility.store.decisions import case_of_key
from legibility.store.events import find_event, recent_events
from legibility.store.records import CorrectionRow, EventRow

UNDO: Final = "undo"
LOOKED_BACK: Final = 1000
"""Choice: newest entries among which the last one to be taken back is looked for."""
ENTERED: Final = {
    "record reading": "read by eye",
    "enter transponder": "transponder entered",
    "decide": "decided",
}
"""Entries that are no corrections and can be taken back, too, in words."""
CORRECTED: Final = (
    "correct photo",
    "give photo to animal",
    "take back reading",
    "correct reading",
    "take back scan",
    "correct scan",
    UNDO,
)


def undo(db: HerdDatabase, entry: int = 0, *, who: str, reason: str = "") -> Corrected:
    """Take an entry back: what it changed is as it was before, and both entries stay.

    Parameters
    ----------
    entry : int
        0 for the last one that can be taken back and is no taking back itself.

    Raises
    ------
    StoreError
        If there is no such entry, it cannot be taken back, it was already, or it was corrected
        again since.
    """
    with db.transaction():
        entry = entry or last_entry(db)
        changes = _changes_back(db, find_event(db, entry))
        return put_changes(
            db,
            changes,
            what=UNDO,
            who=who,
            reason=reason or f"entry {entry} is taken back",
            said={"entry": entry},
        )


def last_entry(db: HerdDatabase) -> int:
    """The newest entry that can be taken back and is no taking back itself.

    Raises
    ------
    StoreError
        If there is none.
    """
    kinds = [what for what in (*CORRECTED, *ENTERED) if what != UNDO]
    for event in recent_events(db, kinds=kinds, most=LOOKED_BACK):
        if can_undo(db, event):
            return event.seq
    raise StoreError("there is nothing to take back")


def can_undo(db: HerdDatabase, event: EventRow) -> bool:
    """Whether an entry can be taken back now."""
    try:
        return bool(_changes_back(db, event))
    except StoreError:
        return False


def _changes_back(db: HerdDatabase, event: EventRow) -> Changes:
    """What would take an entry back."""
    if event.what == SETTLE:
        raise StoreError(
            f"entry {event.seq} follows from another one; take that one back, or decide the case"
        )
    rows = list(all_corrections(db, entry=event.seq))
    if rows:
        return _rows_back(db, rows)
    said = {**event_says(event.inputs), **event_says(event.outputs)}
    kind = {"record reading": "reading", "enter transponder": "scan"}.get(event.what, "")
    if kind and said.get(kind):
        return taken_back(db, kind, int(said[kind]))
    if event.what == "decide" and said.get("case"):
        case = case_of_key(db, str(said["case"]))
        if case.state == "closed":
            about = str(case.number)
            return [CorrectionRow("case", about, "state", "closed", "open")]
        raise StoreError(f"case {case.number} is open already")
    raise StoreError(
        f"entry {event.seq} ({event.what}) cannot be taken back; correct the photo, reading or "
        "scan itself"
    )


def _rows_back(db: HerdDatabase, rows: Sequence[CorrectionRow]) -> Changes:
    """Each row the other way round; what stands on it since must be taken back first."""
    changes: Changes = []
    # A photo that was connected with another scan since keeps that, and the name by it.
    moved_on = {
        row.about
        for row in rows
        if row.field == "scan" and photo_value(db, row.about, "scan")[0] != row.after
    }
    for row in reversed(rows):
        by_scan = row.field == "scan" or (row.field == "animal" and not row.after_by)
        if by_scan and row.about in moved_on:
            continue
        same = [
            other for other in corrections_of(db, row.kind, row.about) if other.field == row.field
        ]
        holds = standing(same)
        if row.number not in (same[-1].number, holds.number if holds else 0):
            last = same[-1]
            if any(other.undoes == row.number for other in same):
                raise StoreError(f"entry {row.entry} was taken back already")
            raise StoreError(
                f"entry {last.entry} corrected the same again; take that one back first"
            )
        after, after_by = row.after, row.after_by
        if row.kind == "photo":
            # What a correction left empty may have been filled in since, by a transponder.
            after, after_by = photo_value(db, row.about, row.field)
        changes.append(
            CorrectionRow(
                row.kind,
                row.about,
                row.field,
                after,
                row.before,
                after_by,
                row.before_by,
                undoes=row.number,
            )
        )
        if row.instead and row.after == "no":
            changes += _instead_back(db, row)
    return changes


def _instead_back(db: HerdDatabase, row: CorrectionRow) -> Changes:
    """What was entered in the place of a reading or scan counts no more."""
    rows = corrections_of(db, row.kind, str(row.instead))
    if rows and rows[-1].entry == row.entry:
        return []
    if rows and rows[-1].after == "no":
        raise StoreError(
            f"entry {rows[-1].entry} corrected the same again; take that one back first"
        )
    about = str(row.instead)
    return [CorrectionRow(row.kind, about, "counts", "yes", "no")]


def event_says(text: str) -> dict[str, Any]:
    """Inputs or outputs of an entry; nothing where they are no JSON object."""
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
