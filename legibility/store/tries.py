"""Tries to identify an animal, by any method, for comparing methods and readers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter

from legibility.store.database import HerdDatabase


@dataclass(frozen=True, slots=True)
class Try:
    """One try whose animal is known otherwise."""

    method: str
    """``transponder``, ``eye`` or ``photo``."""
    animal_id: str
    day: str
    """YYYY-MM-DD."""
    success: bool
    """The transponder answered with a number of this animal; the mark was read as one of the
    animal's marks; the photo was settled for this animal."""
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class ScanTries:
    """Tries to read the transponders of animals that were known otherwise."""

    tries: int
    failed: int
    """Nothing answered."""
    animals: int
    """That were tried."""
    animals_failed: int
    """Of which none of the tries on the last day was answered."""
    log_lines: int
    """Answers of an animal that is only known from the answer: no tries, because a log that holds
    nothing but answers cannot show a failure."""


def scan_tries(db: HerdDatabase) -> ScanTries:
    """How often a transponder was tried, and how often none answered; refused numbers are out."""
    row = db.first(
        """SELECT count(animal), ifnull(sum(animal IS NOT NULL AND outcome = 'nothing'), 0),
                  ifnull(sum(animal IS NULL), 0)
           FROM scans_now WHERE outcome <> 'refused'"""
    )
    last = db.first(
        """SELECT count(*), ifnull(sum(NOT answered), 0) FROM (
               SELECT max(s.outcome = 'read') AS answered FROM scans_now AS s JOIN (
                   SELECT animal, max(substr(scanned_at, 1, 10)) AS day FROM scans_now
                   WHERE animal IS NOT NULL AND outcome <> 'refused' GROUP BY animal
               ) AS d ON d.animal = s.animal AND substr(s.scanned_at, 1, 10) = d.day
               WHERE s.outcome <> 'refused' GROUP BY s.animal)"""
    )
    tries, failed, lines = row or (0, 0, 0)
    animals, animals_failed = last or (0, 0)
    return ScanTries(int(tries), int(failed), int(animals), int(animals_failed), int(lines))


def all_tries(db: HerdDatabase) -> Iterator[Try]:
    """Tries of all methods on known animals with a day.

    Photos and scans whose animal is only known from the transponder are left out: they exist only
    where it answered, and would favour it. So are photos whose animal is only known from what was
    read on them.
    """
    scans = """
        SELECT a.animal_id, substr(s.scanned_at, 1, 10),
               s.outcome = 'read' AND EXISTS (
                   SELECT 1 FROM chips AS c WHERE c.animal = a.id AND c.number = s.number),
               s.seconds
        FROM scans_now AS s JOIN animals AS a ON a.id = s.animal
        WHERE s.outcome <> 'refused' AND s.scanned_at <> ''"""
    for animal, day, success, seconds in db.rows(scans):
        yield Try("transponder", animal, day, bool(success), seconds)
    eyes = """
        SELECT a.animal_id, substr(h.read_at, 1, 10),
               EXISTS (SELECT 1 FROM marks AS m WHERE m.animal = a.id AND m.text = h.text)
                   OR (h.text = '' AND h.usable = 1),
               h.seconds
        FROM human_readings_now AS h JOIN animals AS a ON a.id = h.animal
        WHERE h.text <> '' OR h.usable IS NOT NULL"""
    for animal, day, success, seconds in db.rows(eyes):
        yield Try("eye", animal, day, bool(success), seconds)
    photos = """
        SELECT a.animal_id, substr(p.taken_at, 1, 10),
               r.decision = 'identified' AND r.first_animal = a.animal_id
        FROM photos AS p
        JOIN animals AS a ON a.id = p.animal
        JOIN readings AS r ON r.id = (SELECT max(n.id) FROM readings AS n WHERE n.photo = p.id)
        WHERE p.taken_at <> '' AND p.claimed_by NOT IN ('chip', 'advice')"""
    for animal, day, success in db.rows(photos):
        yield Try("photo", animal, day, bool(success))


def timed_events(db: HerdDatabase) -> Iterator[tuple[str, tuple[float, ...]]]:
    """Kinds of handling event whose time was recorded, and the seconds of each."""
    sql = "SELECT kind, seconds FROM handling_events WHERE seconds IS NOT NULL ORDER BY kind, id"
    for kind, rows in groupby(db.rows(sql), key=itemgetter(0)):
        yield str(kind), tuple(float(seconds) for _, seconds in rows)
