"""Takes back what a person did last, or any entry that nothing was built on, and lists them."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from legibility.errors import StoreError
from legibility.identify.stages import stage_name, stage_of
from legibility.pipeline.herd_cases import SETTLE
from legibility.pipeline.herd_corrections import (
    Changes,
    Corrected,
    put_changes,
)
from legibility.pipeline.herd_mistaken import reading_back, reading_words, scan_back, scan_words
from legibility.store.corrections import (
    ADVICE,
    PERSON,
    all_corrections,
    corrections_of,
    photo_value,
    standing,
)
from legibility.store.database import HerdDatabase
from legibility.store.decisions import case_of_key
from legibility.store.events import find_event, recent_events
from legibility.store.human_readings import find_human_reading
from legibility.store.photos import find_photo
from legibility.store.records import CorrectionRow, EventRow
from legibility.store.scans import find_scan

UNDO: Final = "undo"
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


@dataclass(frozen=True, slots=True)
class Action:
    """Something that a person did, as it is listed."""

    entry: int
    at: str
    who: str
    what: str
    reason: str
    words: tuple[str, ...]
    """What became of what, one sentence each."""
    can_undo: bool


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
    for event in recent_events(db, kinds=kinds, most=1000):
        if can_undo(db, event):
            return event.seq
    raise StoreError("there is nothing to take back")


def can_undo(db: HerdDatabase, event: EventRow) -> bool:
    """Whether an entry can be taken back now."""
    try:
        return bool(_changes_back(db, event))
    except StoreError:
        return False


def last_action(db: HerdDatabase) -> Action | None:
    """What was done last and can be taken back."""
    try:
        return action_of(db, last_entry(db))
    except StoreError:
        return None


def last_decision(db: HerdDatabase, case_key: str) -> Action | None:
    """The newest decision about a case, as long as it holds."""
    for event in recent_events(db, kinds=("decide",), most=10_000):
        if _json(event.inputs).get("case") == case_key:
            return _action(db, event) if can_undo(db, event) else None
    return None


def recent_actions(db: HerdDatabase, *, most: int) -> tuple[Action, ...]:
    """What persons corrected, newest first."""
    return tuple(_action(db, event) for event in recent_events(db, kinds=CORRECTED, most=most))


def actions_about(
    db: HerdDatabase, *, photo: str = "", animal: str = "", entered: str = "", case: int = 0
) -> tuple[Action, ...]:
    """Corrections of a photo, an animal or a case, newest first.

    An animal's are those of its photos, readings and scans, and those that took one away from it.

    Parameters
    ----------
    entered : str
        ``reading:`` or ``scan:`` and its number; what stands in its place counts, too.
    """
    wanted = {
        row.entry
        for row in all_corrections(db)
        if (photo and row.about == photo)
        or (entered and f"{row.kind}:{row.about}" == entered)
        or (entered and f"{row.kind}:{row.instead}" == entered)
        or (case and row.kind == "case" and int(row.about) == case)
        or (animal and animal in _animals(db, row))
    }
    return tuple(action_of(db, entry) for entry in sorted(wanted, reverse=True))


def _animals(db: HerdDatabase, row: CorrectionRow) -> Iterable[str]:
    """Animals that a correction is about, before and after it."""
    if row.kind == "photo":
        named = {row.before, row.after} if row.field == "animal" else set()
        return named | {photo_value(db, row.about, "animal")[0]}
    if row.kind == "reading":
        found, _ = find_human_reading(db, int(row.about))
        photo = found.photo_sha256
        return {found.animal_id, photo_value(db, photo, "animal")[0] if photo else ""}
    return {find_scan(db, int(row.about))[0].animal_id} if row.kind == "scan" else set()


def _changes_back(db: HerdDatabase, event: EventRow) -> Changes:
    """What would take an entry back."""
    if event.what == SETTLE:
        raise StoreError(
            f"entry {event.seq} follows from another one; take that one back, or decide the case"
        )
    rows = list(all_corrections(db, entry=event.seq))
    if rows:
        return _rows_back(db, rows)
    said = {**_json(event.inputs), **_json(event.outputs)}
    ways: dict[str, tuple[str, Callable[[HerdDatabase, int], Changes]]] = {
        "record reading": ("reading", reading_back),
        "enter transponder": ("scan", scan_back),
    }
    if event.what in ways and said.get(ways[event.what][0]):
        name, way = ways[event.what]
        return way(db, int(said[name]))
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


def action_of(db: HerdDatabase, entry: int) -> Action:
    """An entry as it is listed.

    Raises
    ------
    StoreError
        If there is none.
    """
    return _action(db, find_event(db, entry))


def _action(db: HerdDatabase, event: EventRow) -> Action:
    rows = list(all_corrections(db, entry=event.seq))
    words = tuple(words_of(db, row) for row in rows) or (_entered_words(event),)
    return Action(
        event.seq,
        event.at,
        event.who,
        event.what,
        str(_json(event.inputs).get("reason", "")),
        words,
        can_undo(db, event),
    )


def words_of(db: HerdDatabase, row: CorrectionRow) -> str:
    """A correction as a sentence, what was there before first."""
    if row.kind == "photo":
        photo = find_photo(db, row.about)
        name = Path(photo.path).name if photo else row.about[:12]
        return f"{name}: {_field_words(db, row)}"
    if row.kind == "reading":
        reading, _ = find_human_reading(db, int(row.about))
        what = reading_words(reading)
    elif row.kind == "scan":
        scan, _ = find_scan(db, int(row.about))
        what = scan_words(scan)
    else:
        return f"case {row.about}: {row.before} before, now {row.after}"
    state = "counts again" if row.after == "yes" else "counts no more"
    if row.instead:
        new = (
            reading_words(find_human_reading(db, row.instead)[0])
            if row.kind == "reading"
            else scan_words(find_scan(db, row.instead)[0])
        )
        state = f"{state}; in its place {new}"
    return f"{what} {state}"


def _field_words(db: HerdDatabase, row: CorrectionRow) -> str:
    if row.field == "scan":
        number = find_scan(db, int(row.before or row.after))[0].number
        if row.before and row.after:
            after = find_scan(db, int(row.after))[0].number
            return f"taken with transponder {after}, not {number}"
        return f"{'not taken' if row.before else 'taken'} with transponder {number}"
    empty = "nobody" if row.field == "animal" else "not known"
    before, after = (_value_words(row.field, value) or empty for value in (row.before, row.after))
    by = f" ({by_whom(row.before_by)})" if row.before_by and row.before else ""
    return f"{row.field} {before}{by} before, now {after}"


def by_whom(claimed_by: str) -> str:
    """Who gave a photo to an animal, in words."""
    words = {
        "manifest": "by the list it came with",
        "chip": "by its transponder",
        PERSON: "by a person",
        ADVICE: "by a person, on the advice of what was read",
    }
    return words.get(claimed_by, f"by {claimed_by}")


def _value_words(field: str, value: str) -> str:
    stage = stage_of(value) if field == "stage" and value else None
    return stage_name(stage) if stage is not None else value


def _entered_words(event: EventRow) -> str:
    said = {**_json(event.inputs), **_json(event.outputs)}
    names = ("animal_id", "text", "number", "case", "what")
    words = ", ".join(str(said[name]) for name in names if said.get(name))
    return f"{ENTERED[event.what]}: {words}" if event.what in ENTERED else words


def _json(text: str) -> dict[str, Any]:
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
