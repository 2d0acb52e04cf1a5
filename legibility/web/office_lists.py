"""The office's plain lists: scans, readings by people, confirmed photos, decisions, entries."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Final

from flask import Response, abort, url_for
from markupsafe import Markup

from legibility.probability import percent
from legibility.store.database import HerdDatabase
from legibility.store.decisions import all_cases, all_decisions
from legibility.store.events import all_events
from legibility.store.human_readings import all_human_readings
from legibility.store.pairs import paired_readings
from legibility.store.scans import all_scans
from legibility.web.office_links import animal_link, photo_link
from legibility.web.office_parts import number, office, page, record

A_PAGE: Final = 200
"""Choice: rows on one page of a list."""

Row = tuple[str, ...]
"""Cells; those that are markup lead somewhere, the others are escaped."""


@dataclass(frozen=True, slots=True)
class Listing:
    """A list that stands behind a count or a figure."""

    title: str
    words: str
    columns: Row
    rows: Callable[[HerdDatabase], Iterator[Row]]


def scan_rows(db: HerdDatabase) -> Iterator[Row]:
    """Tries to read transponders, by time."""
    for scan in all_scans(db):
        animal = animal_link(scan.animal_id) if scan.animal_id else ""
        seconds = "" if scan.seconds is None else f"{scan.seconds:g} s"
        yield (
            scan.scanned_at, scan.number, scan.outcome, animal, scan.reader, seconds, scan.note,
            _correct("office.entered_scan", scan.scan_id),
        )  # fmt: skip


def people_rows(db: HerdDatabase) -> Iterator[Row]:
    """What people read, by time."""
    for found in all_human_readings(db):
        usable = {None: "", True: "usable", False: "lost"}[found.usable]
        grade = "" if found.grade is None else f"{found.grade:g}"
        photo = photo_link("photo", found.photo_sha256) if found.photo_sha256 else ""
        animal = animal_link(found.animal_id) if found.animal_id else ""
        blind = "yes" if found.blind else "no"
        yield (
            found.read_at, found.reader, found.text, usable, grade, blind, animal, photo,
            _correct("office.entered_reading", found.number),
        )  # fmt: skip


def confirmed_rows(db: HerdDatabase) -> Iterator[Row]:
    """Photos taken with a transponder that one animal has, and what was stated of them."""
    for found in paired_readings(db):
        if len(found.animals) != 1:
            continue
        first, risk = found.first, found.misread_risk
        right = "" if not first else "right" if first == found.animals[0] else "wrong"
        yield (
            photo_link(Path(found.path).name, found.photo_sha256),
            found.number,
            animal_link(found.animals[0]),
            found.text,
            animal_link(first) if first else "",
            "" if risk is None or not first else percent(1 - risk),
            right,
        )


def decision_rows(db: HerdDatabase) -> Iterator[Row]:
    """What persons decided, by time."""
    numbers = {case.case_key: case.number for case in all_cases(db)}
    for found in all_decisions(db):
        case: str = ""
        if found.case_key:
            at = numbers[found.case_key]
            address = url_for("office.case", number=at)
            case = Markup('<a href="{}">case {}</a>').format(address, at)
        animal = animal_link(found.animal_id) if found.animal_id else ""
        photo = photo_link("photo", found.photo_sha256) if found.photo_sha256 else ""
        yield (found.decided_at, found.who, found.what, found.reason, case, animal, photo)


def entry_rows(db: HerdDatabase) -> Iterator[Row]:
    """Entries of the record's chain, the oldest first."""
    for found in all_events(db):
        yield (str(found.seq), found.at, found.who, found.what, found.hash)


def _correct(endpoint: str, entered: int) -> Markup:
    return Markup('<a href="{}">correct</a>').format(url_for(endpoint, number=entered))


LISTS: Final = {
    "scans": Listing(
        "Transponder scans",
        "Every try that was recorded, by time.",
        ("When", "Number", "Outcome", "Animal", "Reader", "Took", "Note", "Mistaken?"),
        scan_rows,
    ),
    "people": Listing(
        "Read by people",
        "From ears and from photos, by time.",
        ("When", "Who", "Read", "Mark is", "Grade", "Blind", "Animal", "Photo", "Mistaken?"),
        people_rows,
    ),
    "confirmed": Listing(
        "Photos confirmed by a transponder",
        "Taken with a transponder that exactly one animal has; what was read owes nothing to it.",
        ("Photo", "Transponder", "Its animal", "Read", "First candidate", "Stated", "Was"),
        confirmed_rows,
    ),
    "decisions": Listing(
        "Decisions",
        "What persons decided, by time.",
        ("When", "Who", "What", "Why", "Case", "Animal", "Photo"),
        decision_rows,
    ),
    "entries": Listing(
        "Entries of the record",
        "Each holds the hash of the one before it.",
        ("Entry", "When", "Who", "What", "Hash"),
        entry_rows,
    ),
}


@office.get("/list/<kind>")
def listing(kind: str) -> Response:
    """One of the lists."""
    found = LISTS.get(kind)
    if found is None:
        abort(404, "there is no such list")
    skip = int(number("skip", 0, least=0, most=10_000_000))
    with record() as db:
        rows = list(islice(found.rows(db), skip, skip + A_PAGE + 1))
    return page(
        "office_list.html",
        listing=found,
        kind=kind,
        rows=rows[:A_PAGE],
        more=len(rows) > A_PAGE,
        skip=skip,
        size=A_PAGE,
    )
