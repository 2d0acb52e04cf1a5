"""Readings by eye and scans that were mistaken: taken back, or entered anew in their place."""

from __future__ import annotations

from dataclasses import replace

from legibility.errors import StoreError
from legibility.herd.chip import identity_problem
from legibility.herd.chiptext import parse_chip
from legibility.pipeline.herd_corrections import (
    Changes,
    Corrected,
    photo_change,
    put_changes,
    unnamed,
)
from legibility.pipeline.herd_record import check_read_text
from legibility.store.corrections import corrections_of, photos_with_scan
from legibility.store.database import HerdDatabase
from legibility.store.human_readings import add_human_reading, find_human_reading
from legibility.store.records import CorrectionRow
from legibility.store.scans import add_scan, find_scan


def take_back(db: HerdDatabase, kind: str, number: int, *, who: str, reason: str) -> Corrected:
    """Say that a reading by eye or a scan was mistaken: it stays in the record and counts no more.

    A scan then confirms no photo any more, and names none.

    Parameters
    ----------
    kind : str
        ``reading`` or ``scan``.

    Raises
    ------
    StoreError
        If there is none, it was taken back before, or nobody or no reason is given.
    """
    with db.transaction():
        back = taken_back(db, kind, number)
        return put_changes(db, back, what=f"take back {kind}", who=who, reason=reason)


def taken_back(db: HerdDatabase, kind: str, number: int) -> Changes:
    """What takes a reading by eye back, or a scan, from the photos too that were taken with it."""
    if kind == "reading":
        return [_counts_no_more(kind, number, find_human_reading(db, number)[1])]
    row = _counts_no_more(kind, number, find_scan(db, number)[1])
    return [row, *_apart(db, number, "")]


def correct_reading(
    db: HerdDatabase,
    number: int,
    *,
    who: str,
    reason: str,
    text: str | None = None,
    ear: str | None = None,
    animal_id: str | None = None,
    usable: bool | None = None,
) -> Corrected:
    """Enter a reading by eye anew in the place of another one, which stays and counts no more.

    Parameters
    ----------
    text, ear, animal_id, usable
        What is corrected; None leaves it as it was.

    Raises
    ------
    StoreError
        As for :func:`take_back`, or if the text can be no mark, or nothing would change.
    """
    with db.transaction():
        old, counts = find_human_reading(db, number)
        new = replace(
            old,
            text=old.text if text is None else text,
            ear=old.ear if ear is None else ear,
            animal_id=old.animal_id if animal_id is None else animal_id,
            usable=old.usable if usable is None else usable,
        )
        check_read_text(new.text)
        if new == old:
            raise StoreError("nothing would change; say what is to be corrected")
        back = _counts_no_more("reading", number, counts)
        changes = _instead(db, back, *add_human_reading(db, new))
        return put_changes(db, changes, what="correct reading", who=who, reason=reason)


def correct_scan(
    db: HerdDatabase,
    number: int,
    *,
    who: str,
    reason: str,
    transponder: str | None = None,
    animal_id: str | None = None,
    allow_test: bool = False,
) -> Corrected:
    """Enter a scan anew in the place of another one; its photos go with it.

    Raises
    ------
    StoreError
        As for :func:`take_back`, or if the number can stand for no animal.
    ChipError
        If the number is none.
    """
    code = parse_chip(transponder).code if transponder else None
    problem = identity_problem(code, allow_test=allow_test) if code else ""
    if problem:
        raise StoreError(problem)
    with db.transaction():
        old, counts = find_scan(db, number)
        new = replace(
            old,
            number=code.number if code else old.number,
            outcome="read" if code else old.outcome,
            raw=transponder or old.raw,
            animal_id=old.animal_id if animal_id is None else animal_id,
        )
        if new == old:
            raise StoreError("nothing would change; say what is to be corrected")
        back = _counts_no_more("scan", number, counts)
        key, fresh = add_scan(db, new)
        changes = [*_instead(db, back, key, fresh), *_apart(db, number, str(key))]
        return put_changes(db, changes, what="correct scan", who=who, reason=reason)


def _counts_no_more(kind: str, number: int, counts: bool) -> CorrectionRow:
    if not counts:
        raise StoreError(f"{kind} {number} was taken back before")
    return CorrectionRow(kind, str(number), "counts", "yes", "no")


def _instead(db: HerdDatabase, row: CorrectionRow, number: int, new: bool) -> Changes:
    """The same with the number of what stands in its place, which counts again if it was there."""
    changes = [replace(row, instead=number)]
    if not new:
        rows = corrections_of(db, row.kind, str(number))
        if not rows or rows[-1].after == "yes":
            raise StoreError(f"this is {row.kind} {number} already; take this one back instead")
        changes.append(CorrectionRow(row.kind, str(number), "counts", "no", "yes"))
    return changes


def _apart(db: HerdDatabase, scan: int, instead: str) -> Changes:
    """Photos go from a scan to another or to none, and lose the name that came by it."""
    found: Changes = []
    for sha256 in photos_with_scan(db, scan):
        found += photo_change(db, sha256, "scan", instead)
        found += unnamed(db, sha256)
    return found
