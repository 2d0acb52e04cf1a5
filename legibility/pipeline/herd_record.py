"""What people record: what was done with an animal, what they read, what they decided."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from legibility.alphabet import UNREAD
from legibility.errors import StoreError
from legibility.herd.chip import identity_problem
from legibility.herd.chiptext import parse_chip
from legibility.identify.rowcheck import check_mark
from legibility.pipeline.herd_cases import open_cases
from legibility.store.animals import put_chips
from legibility.store.database import HerdDatabase
from legibility.store.decisions import add_decision
from legibility.store.events import append_event
from legibility.store.handling_events import add_handling_event
from legibility.store.human_readings import add_human_reading
from legibility.store.marks import add_mark, marks_of, put_mark, retire_mark
from legibility.store.pairs import name_by_chip
from legibility.store.records import ChipRow, DecisionRow, HandlingEvent, HumanReading, MarkRow


def record_event(db: HerdDatabase, event: HandlingEvent, *, allow_test: bool = False) -> bool:
    """Record that something was done with an animal; False when it was recorded before.

    ``marked`` and ``re-marked`` with a text also add the mark; ``re-marked`` retires the older
    marks of that ear, also one of the same characters, which then starts anew. ``chipped`` with a
    number adds the transponder.

    Raises
    ------
    StoreError
        If the animal is not in the record or none is named, the time is still to come, seconds are
        no time, or mark or number cannot be one.
    ChipError
        If the text of ``chipped`` is no transponder number.
    """
    if not event.animal_id and event.kind != "note":
        raise StoreError(f"{event.kind!r} needs the animal it was done with")
    _check(event.happened_at, seconds=event.seconds)
    if event.text and event.kind in ("marked", "re-marked"):
        mark, problem = check_mark(event.text, None)
        if problem:
            raise StoreError(problem)
        event = replace(event, text=mark)
    elif event.text and event.kind == "chipped":
        code = parse_chip(event.text).code
        problem = identity_problem(code, allow_test=allow_test)
        if problem:
            raise StoreError(problem)
        event = replace(event, text=code.number)
    with db.transaction():
        _, new = add_handling_event(db, event)
        if not new:
            return False
        _follow(db, event)
        append_event(
            db,
            what=f"record {event.kind}",
            who=event.who,
            inputs={"animal_id": event.animal_id, "happened_at": event.happened_at},
            outputs={"ear": event.ear, "text": event.text, "note": event.note},
        )
    return True


def record_reading(db: HerdDatabase, reading: HumanReading) -> bool:
    """Record what a person read; False when it was recorded before.

    Another registered animal's mark than that of the listed one opens a case.

    Raises
    ------
    StoreError
        If the animal or the photo is not in the record or neither is named, nobody is said to have
        read it, the time is still to come, or text, grade or seconds cannot be one.
    """
    if not reading.animal_id and not reading.photo_sha256:
        raise StoreError("a reading needs the animal or the photo it is of")
    if not reading.reader.strip():
        raise StoreError("a reading needs the name of who read it")
    if reading.grade is not None and not 0 <= reading.grade <= 4:
        raise StoreError(f"grade is {reading.grade:g}; expected 0 to 4")
    _check(reading.read_at, seconds=reading.seconds)
    check_read_text(reading.text)
    with db.transaction():
        number, new = add_human_reading(db, reading)
        if new:
            append_event(
                db,
                what="record reading",
                who=reading.reader,
                inputs={"animal_id": reading.animal_id, "photo_sha256": reading.photo_sha256},
                outputs={"text": reading.text, "blind": reading.blind, "reading": number},
            )
            photos, animals = [reading.photo_sha256], [reading.animal_id]
            open_cases(db, photos=photos, animals=animals, who=reading.reader)
    return new


def check_read_text(text: str) -> None:
    """Refuse what no mark can be that a person read; nothing read is a text, too.

    Raises
    ------
    StoreError
        If it can be no mark.
    """
    problem = check_mark(text.replace(UNREAD, "0"), None)[1] if text else ""
    if problem:
        raise StoreError(f"{problem}, or {UNREAD} for a character that could not be read")


def record_decision(db: HerdDatabase, decision: DecisionRow) -> bool:
    """Record what a person decided; one about a case closes it. False when it was there before.

    Raises
    ------
    StoreError
        If the case, the animal or the photo is not in the record, nobody is said to have decided,
        nothing is said to be decided, or the time is still to come.
    """
    if not (decision.who.strip() and decision.what.strip()):
        raise StoreError("a decision needs what was decided and the name of who decided")
    _check(decision.decided_at)
    with db.transaction():
        new = add_decision(db, decision)
        if new:
            append_event(
                db,
                what="decide",
                who=decision.who,
                inputs={
                    "case": decision.case_key,
                    "animal_id": decision.animal_id,
                    "photo_sha256": decision.photo_sha256,
                },
                outputs={"what": decision.what, "reason": decision.reason},
            )
    return new


def _check(at: str, *, seconds: float | None = None) -> None:
    """Refuse what cannot have happened; a local time may be 14 hours ahead of UTC."""
    latest = (datetime.now(UTC) + timedelta(hours=14)).strftime("%Y-%m-%dT%H:%M:%S")
    if at > latest:
        raise StoreError(f"{at} is still to come; give the time when it was done")
    if seconds is not None and not 0 <= seconds < math.inf:
        raise StoreError(f"seconds is {seconds:g}; expected a time from 0 on")


def _follow(db: HerdDatabase, event: HandlingEvent) -> None:
    """What an event changes in the tables of marks and transponders."""
    if not event.text:
        return
    day = event.happened_at[:10]
    if event.kind == "chipped":
        put_chips(db, [ChipRow(event.animal_id, event.text, since=day, source="recorded")])
        name_by_chip(db)
    if event.kind not in ("marked", "re-marked"):
        return
    new = MarkRow(event.animal_id, event.text, ear=event.ear, applied_on=day, operator=event.who)
    if event.kind == "marked":
        put_mark(db, new)
        return
    for mark in marks_of(db, event.animal_id):
        same_ear = not event.ear or mark.ear in ("", event.ear)
        is_new = (mark.text, mark.applied_on) == (event.text, day)
        if same_ear and not mark.retired_on and not is_new:
            retire_mark(db, mark.mark_id, on=day)
    add_mark(db, new)
