"""Corrections, and what was entered, in words."""

from __future__ import annotations

from pathlib import Path

from legibility.identify.stages import stage_name, stage_of
from legibility.store.corrections import ADVICE, PERSON
from legibility.store.database import HerdDatabase
from legibility.store.human_readings import find_human_reading
from legibility.store.photos import find_photo
from legibility.store.records import CorrectionRow, HumanReading, ScanRow
from legibility.store.scans import find_scan


def reading_words(reading: HumanReading) -> str:
    """A reading by eye as it is named in lists."""
    return f"reading {reading.number} by {reading.reader} ({reading.text or 'nothing read'})"


def scan_words(scan: ScanRow) -> str:
    """A scan as it is named in lists."""
    return f"scan {scan.scan_id} ({scan.number or 'no transponder answered'})"


def correction_words(db: HerdDatabase, row: CorrectionRow) -> str:
    """A correction as a sentence, what was there before first."""
    if row.kind == "photo":
        photo = find_photo(db, row.about)
        name = Path(photo.path).name if photo else row.about[:12]
        return f"{name}: {_field_words(db, row)}"
    if row.kind == "case":
        return f"case {row.about}: {row.before} before, now {row.after}"
    state = "counts again" if row.after == "yes" else "counts no more"
    if row.instead:
        state += f"; in its place {_said(db, row.kind, row.instead)}"
    return f"{_said(db, row.kind, int(row.about))} {state}"


def _said(db: HerdDatabase, kind: str, number: int) -> str:
    if kind == "reading":
        return reading_words(find_human_reading(db, number)[0])
    return scan_words(find_scan(db, number)[0])


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
