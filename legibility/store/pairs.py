"""Photos and the transponder scans made together with them."""

from __future__ import annotations

import csv
import io
import json
from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from legibility.store.animals import animals_with_chip, owners_of_chips
from legibility.store.cells import guarded
from legibility.store.database import HerdDatabase
from legibility.store.marks import marks_of
from legibility.store.packing import unpacked
from legibility.store.photo_folder import FileState, file_state
from legibility.store.records import MarkRow, PhotoRow

_MAY_BE_PAIRED: Final = """NOT EXISTS (
    SELECT 1 FROM corrections AS c WHERE c.photo = photos.id AND c.field = 'scan'
    AND c.before = CAST(?1 AS TEXT) AND c.after = '')"""
"""No person said that the photo was not taken with this scan."""


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
    """The animal's newest mark in that ear on that day; empty when it has none, and when no ear is
    said and the animal has different marks in both."""


@dataclass(frozen=True, slots=True)
class PairedReading:
    """The newest reading of a photo that a transponder was read with."""

    photo_sha256: str
    path: str
    number: str
    animals: tuple[str, ...]
    """Those recorded with the number."""
    claimed: str
    claimed_by: str
    text: str
    candidate_set: tuple[str | None, ...]
    """Empty when there is no reading, or nothing could be read."""
    first: str
    misread_risk: float | None


def confirmed_photos(db: HerdDatabase) -> Iterator[ConfirmedPhoto]:
    """Photos taken together with a scan of a number that exactly one animal has.

    Left out: numbers on two animals, numbers that identify nobody, and photos that a manifest or a
    person gave to another animal. These are data for calibration, with an identity that owes
    nothing to the mark.
    """
    sql = """
        SELECT p.path, p.stored, p.sha256, a.animal_id, s.number, p.ear, p.taken_at
        FROM photos AS p
        JOIN scans_now AS s ON s.id = p.scan AND s.outcome = 'read'
        JOIN chips AS c ON c.number = s.number
        JOIN animals AS a ON a.id = c.animal
        WHERE (SELECT count(*) FROM chips AS d WHERE d.number = s.number) = 1
        AND (p.animal IS NULL OR p.animal = a.id)
        ORDER BY p.id"""
    for path, stored, sha256, animal_id, number, ear, taken_at in db.rows(sql):
        mark = _mark_shown(marks_of(db, animal_id), ear=ear, day=taken_at[:10])
        yield ConfirmedPhoto(path, stored, sha256, animal_id, number, ear, taken_at, mark)


def _mark_shown(marks: Sequence[MarkRow], *, ear: str, day: str) -> str:
    """The newest mark in an ear on a day; nothing where no ear is said and the ears differ."""
    newest: dict[str, str] = {}
    for mark in sorted(marks, key=lambda each: (each.applied_on, each.mark_id)):
        if day and (mark.applied_on > day or (mark.retired_on and mark.retired_on <= day)):
            continue
        if not day and mark.retired_on:
            continue
        for side in ("left", "right") if mark.ear in ("", "both") else (mark.ear,):
            newest[side] = mark.text
    texts = {newest[ear]} if ear in newest else set(newest.values()) if ear in ("", "both") else ""
    return min(texts) if len(texts) == 1 else ""


def confirmed_files(db: HerdDatabase) -> Iterator[tuple[Path | None, ConfirmedPhoto]]:
    """Each confirmed photo and where its bytes can be had; None where they changed or are gone.

    Then there is no copy of it in the content-addressed folder either.
    """
    for photo in confirmed_photos(db):
        row = PhotoRow(photo.sha256, photo.path, stored=photo.stored)
        state, path = file_state(row, herd=db.path)
        there = state in (FileState.AS_IMPORTED, FileState.ONLY_THE_COPY)
        yield (path if there else None), photo


def confirmed_csv(db: HerdDatabase) -> tuple[str, int]:
    """The confirmed photos as a CSV file, one line a photo, and how many lines there are.

    Columns: ``photo``, ``animal_id``, ``mark``, ``ear``, ``chip``, ``taken_at``.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(("photo", "animal_id", "mark", "ear", "chip", "taken_at"))
    lines = 0
    for path, photo in confirmed_files(db):
        if path is None:
            continue
        cells = (photo.animal_id, photo.mark, photo.ear, photo.number, photo.taken_at)
        writer.writerow([guarded(cell) for cell in (str(path), *cells)])
        lines += 1
    return text.getvalue(), lines


def paired_readings(
    db: HerdDatabase, *, photos: Collection[str] | None = None
) -> Iterator[PairedReading]:
    """Every photo that a transponder was read with, and what its newest reading says.

    Parameters
    ----------
    photos : collection of str, optional
        Only those with these digests.
    """
    some = "" if photos is None else "WHERE p.sha256 IN (SELECT value FROM json_each(?))"
    owners = owners_of_chips(db) if photos is None else None
    sql = f"""
        SELECT p.sha256, p.path, s.number, ifnull(a.animal_id, ''), p.claimed_by,
               ifnull(r.text, ''), c.content, ifnull(r.first_animal, ''), r.misread_risk
        FROM photos AS p
        JOIN scans_now AS s ON s.id = p.scan AND s.outcome = 'read'
        LEFT JOIN animals AS a ON a.id = p.animal
        LEFT JOIN readings AS r ON r.id = (SELECT max(n.id) FROM readings AS n WHERE n.photo = p.id)
        LEFT JOIN reading_contents AS c ON c.reading = r.id
        {some} ORDER BY p.id"""
    asked = () if photos is None else (json.dumps(list(photos)),)
    for sha256, path, number, claimed, by, text, content, first, risk in db.rows(sql, asked):
        yield PairedReading(
            photo_sha256=sha256,
            path=path,
            number=number,
            animals=animals_with_chip(db, number) if owners is None else owners.get(number, ()),
            claimed=claimed,
            claimed_by=by,
            text=text,
            candidate_set=candidate_set_in(content),
            first=first,
            misread_risk=risk,
        )


def pair_by_time(db: HerdDatabase, *, within_s: float) -> tuple[int, int]:
    """Connect photos without a scan to the one number read within so many seconds.

    Both clocks must show the same time. A photo near scans of two numbers stays alone, because a
    wrong pair would count as a confirmed identity.

    Returns
    -------
    (int, int)
        Photos connected, and photos left alone because two numbers were near.
    """
    scans = sorted(
        (seconds, int(key), str(number))
        for key, number, at in db.rows(
            "SELECT id, number, scanned_at FROM scans_now WHERE outcome = 'read' "
            "AND scanned_at <> ''"
        )
        if (seconds := _seconds(at)) is not None
    )
    times = [seconds for seconds, _, _ in scans]
    connected, undecided = [], 0
    for key, at in db.rows("SELECT id, taken_at FROM photos WHERE scan IS NULL AND taken_at <> ''"):
        taken = _seconds(at)
        if taken is None:
            continue
        near = scans[bisect_left(times, taken - within_s) : bisect_right(times, taken + within_s)]
        if len({number for _, _, number in near}) > 1:
            undecided += 1
        elif near:
            nearest = min(near, key=lambda scan: abs(scan[0] - taken))
            connected.append((nearest[1], int(key)))
    sql = f"UPDATE photos SET scan = ?1 WHERE id = ?2 AND {_MAY_BE_PAIRED}"
    return db.write_many(sql, connected), undecided


def connect_photos(db: HerdDatabase, sha256s: Sequence[str], *, scan_id: int) -> None:
    """Connect photos with the scan made beside them, and name them by its number.

    Parameters
    ----------
    scan_id : int
        0 takes the connection away again, and the name that came by it: two numbers were read, so
        that neither confirms an identity.
    """
    if scan_id:
        db.write_many(
            "UPDATE photos SET scan = ?1 WHERE scan IS NULL AND sha256 = ?2 "
            f"AND EXISTS (SELECT 1 FROM scans_now WHERE id = ?1) AND {_MAY_BE_PAIRED}",
            [(scan_id, sha256) for sha256 in sha256s],
        )
        for sha256 in sha256s:
            name_by_chip(db, sha256=sha256)
        return
    these = [(sha256,) for sha256 in sha256s]
    db.write_many(
        "UPDATE photos SET animal = NULL, claimed_by = '' WHERE claimed_by = 'chip' "
        "AND scan IS NOT NULL AND sha256 = ?",
        these,
    )
    db.write_many("UPDATE photos SET scan = NULL WHERE sha256 = ?", these)


def name_by_chip(db: HerdDatabase, *, sha256: str = "") -> int:
    """Say of photos that nobody gave a name whose they are, by the scan made with them.

    Only where exactly one animal has the number, and no person said that it shows nobody known.
    Gives how many photos were named.

    Parameters
    ----------
    sha256 : str
        Only this photo; all without it.
    """
    owners = """FROM scans_now AS s JOIN chips AS c ON c.number = s.number
                WHERE s.id = photos.scan AND s.outcome = 'read'"""
    return db.write(
        f"""UPDATE photos SET claimed_by = 'chip', animal = (SELECT c.animal {owners})
            WHERE animal IS NULL AND claimed_by = '' AND scan IS NOT NULL
            AND (SELECT count(*) {owners}) = 1
            {"AND sha256 = ?" if sha256 else ""}""",
        (sha256,) if sha256 else (),
    )


def candidate_set_in(content: bytes | None) -> tuple[str | None, ...]:
    """The candidate set in what is kept of a reading; empty without one."""
    return () if content is None else tuple(json.loads(unpacked(content)[0])["candidate_set"])


def _seconds(at: str) -> float | None:
    """Seconds of a time without zone; None for anything else."""
    try:
        time = datetime.fromisoformat(at)
    except ValueError:
        return None
    return None if time.tzinfo else (time - datetime(2000, 1, 1)).total_seconds()
