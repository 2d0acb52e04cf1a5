"""Tries to read transponders, and what they confirm."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from legibility.store.animals import optional_animal_key
from legibility.store.database import HerdDatabase
from legibility.store.records import ScanRow

_SELECT = """SELECT s.number, s.scanned_at, s.outcome, s.reader, s.raw, s.form,
                    ifnull(a.animal_id, ''), s.event, s.seconds, s.note, s.id
             FROM scans AS s LEFT JOIN animals AS a ON a.id = s.animal"""


@dataclass(frozen=True, slots=True)
class ConfirmedPhoto:
    """A photo whose animal a transponder names, and no other claim denies."""

    path: str
    stored: str
    """Path inside the content-addressed folder, or nothing."""
    sha256: str
    animal_id: str
    number: str
    ear: str
    taken_at: str
    mark: str
    """The animal's newest mark in that ear; empty when it has none."""


def all_scans(db: HerdDatabase) -> Iterator[ScanRow]:
    """All scans by time."""
    for row in db.rows(f"{_SELECT} ORDER BY s.scanned_at, s.id"):
        yield ScanRow(*row)


def add_scan(db: HerdDatabase, scan: ScanRow) -> tuple[int, bool]:
    """Add a scan; gives its row number and whether it is new.

    The same number at the same time from the same reader is the same scan.
    """
    animal = optional_animal_key(db, scan.animal_id)
    new = db.write(
        "INSERT INTO scans (number, scanned_at, outcome, reader, raw, form, animal, event, "
        "seconds, note) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
        (
            scan.number,
            scan.scanned_at,
            scan.outcome,
            scan.reader,
            scan.raw,
            scan.form,
            animal,
            scan.event_id,
            scan.seconds,
            scan.note,
        ),
    )
    found = db.first(
        "SELECT id FROM scans WHERE number = ? AND scanned_at = ? AND reader = ? "
        "AND outcome = ? AND ifnull(animal, 0) = ?",
        (scan.number, scan.scanned_at, scan.reader, scan.outcome, animal or 0),
    )
    return int(found[0]) if found else 0, bool(new)


def confirmed_photos(db: HerdDatabase) -> Iterator[ConfirmedPhoto]:
    """Photos taken together with a scan of a number that exactly one animal has.

    Left out: numbers on two animals, numbers that identify nobody, and photos that a manifest or a
    person gave to another animal. These are data for calibration, with an identity that owes
    nothing to the mark.
    """
    sql = """
        SELECT p.path, p.stored, p.sha256, a.animal_id, s.number, p.ear, p.taken_at,
               ifnull((SELECT m.text FROM marks AS m WHERE m.animal = a.id AND m.retired_on = ''
                       AND (p.ear = '' OR m.ear IN ('', 'both') OR m.ear = p.ear)
                       ORDER BY m.applied_on DESC, m.id DESC LIMIT 1), '')
        FROM photos AS p
        JOIN scans AS s ON s.id = p.scan AND s.outcome = 'read'
        JOIN chips AS c ON c.number = s.number
        JOIN animals AS a ON a.id = c.animal
        WHERE (SELECT count(*) FROM chips AS d WHERE d.number = s.number) = 1
        AND (p.animal IS NULL OR p.animal = a.id)
        ORDER BY p.id"""
    for row in db.rows(sql):
        yield ConfirmedPhoto(*row)
