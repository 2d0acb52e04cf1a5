"""What persons did to the record, as it is listed, and whether it can be taken back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from legibility.errors import StoreError
from legibility.pipeline.correction_words import correction_words
from legibility.pipeline.herd_undo import CORRECTED, ENTERED, can_undo, event_says, last_entry
from legibility.store.corrections import all_corrections, photo_value
from legibility.store.database import HerdDatabase
from legibility.store.events import find_event, recent_events
from legibility.store.human_readings import find_human_reading
from legibility.store.records import CorrectionRow, EventRow
from legibility.store.scans import find_scan

DECISIONS_LOOKED_BACK: Final = 10_000
"""Choice: newest decisions among which the one about a case is looked for."""


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


def last_action(db: HerdDatabase) -> Action | None:
    """What was done last and can be taken back."""
    try:
        return action_of(db, last_entry(db))
    except StoreError:
        return None


def last_decision(db: HerdDatabase, case_key: str) -> Action | None:
    """The newest decision about a case, as long as it holds."""
    for event in recent_events(db, kinds=("decide",), most=DECISIONS_LOOKED_BACK):
        if event_says(event.inputs).get("case") == case_key:
            return _action(db, event) if can_undo(db, event) else None
    return None


def recent_actions(db: HerdDatabase, *, most: int) -> tuple[Action, ...]:
    """What persons corrected, newest first."""
    return tuple(_action(db, event) for event in recent_events(db, kinds=CORRECTED, most=most))


def actions_about(db: HerdDatabase, kind: str, about: str) -> tuple[Action, ...]:
    """Corrections of one photo (by digest), reading by eye, scan or case (by number), newest first.

    Those count, too, by which a reading or scan was entered in the place of another one.
    """
    wanted = {
        row.entry
        for row in all_corrections(db)
        if row.kind == kind and about in (row.about, str(row.instead))
    }
    return _actions(db, wanted)


def actions_of_animal(db: HerdDatabase, animal_id: str) -> tuple[Action, ...]:
    """Corrections of an animal's photos, readings and scans, and those that took one away from it,
    newest first."""
    return _actions(
        db, {row.entry for row in all_corrections(db) if animal_id in _animals(db, row)}
    )


def _actions(db: HerdDatabase, entries: Iterable[int]) -> tuple[Action, ...]:
    return tuple(action_of(db, entry) for entry in sorted(entries, reverse=True))


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
    words = tuple(correction_words(db, row) for row in rows) or (_entered_words(event),)
    return Action(
        event.seq,
        event.at,
        event.who,
        event.what,
        str(event_says(event.inputs).get("reason", "")),
        words,
        can_undo(db, event),
    )


def _entered_words(event: EventRow) -> str:
    said = {**event_says(event.inputs), **event_says(event.outputs)}
    names = ("animal_id", "text", "number", "case", "what")
    words = ", ".join(str(said[name]) for name in names if said.get(name))
    return f"{ENTERED[event.what]}: {words}" if event.what in ENTERED else words
