"""The transponder box: a number is understood, kept, and held against what was read."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from legibility.errors import ChipError
from legibility.herd.chip import code_notices, identity_problem
from legibility.herd.chiptext import parse_chip
from legibility.herd.contradictions import chip_against_mark
from legibility.pipeline.chute import now_local
from legibility.pipeline.herd_cases import open_cases
from legibility.store.animals import animals_with_chip
from legibility.store.database import open_herd
from legibility.store.events import append_event
from legibility.store.pairs import connect_photos
from legibility.store.records import ScanRow
from legibility.store.scans import add_scan


def enter_transponder(herd: Path, text: str, *, allow_test: bool) -> dict[str, Any]:
    """Keep a scan and say whose number it is.

    Raises
    ------
    ChipError
        If the text is no transponder's number, or one that cannot stand for an animal.
    StoreError
        If the record cannot be written.
    """
    understood = parse_chip(text.strip())
    code = understood.code
    problem = identity_problem(code, allow_test=allow_test)
    if problem:
        raise ChipError(problem)
    with open_herd(herd) as db, db.transaction():
        scan = ScanRow(
            code.number, now_local(), reader="chute", raw=text.strip(), form=understood.form
        )
        scan_id, new = add_scan(db, scan)
        if new:
            append_event(
                db,
                what="enter transponder",
                who="chute",
                inputs={"number": code.number},
                outputs={"scan": scan_id},
            )
        animals = animals_with_chip(db, code.number)
    return {
        "number": code.number,
        "scan_id": scan_id,
        "animals": list(animals),
        "notices": list(code_notices(code)),
    }


def pair_photos_of(herd: Path, scans: Sequence[Mapping[str, Any]], sha256s: Sequence[str]) -> None:
    """Connect the photos of a visit with its one transponder; with none when two were read.

    Raises
    ------
    StoreError
        If the record cannot be written.
    """
    one = len({scan["number"] for scan in scans}) == 1
    with open_herd(herd) as db, db.transaction():
        connect_photos(db, sha256s, scan_id=scans[-1]["scan_id"] if one else 0)
        open_cases(db, photos=sha256s, who="chute")


def disagreements(
    scans: Iterable[Mapping[str, Any]], answers: Sequence[Mapping[str, Any]]
) -> dict[str, list[str]]:
    """Sentences for each number that what was read speaks against."""
    found: dict[str, list[str]] = {}
    for scan in scans:
        said = found.setdefault(scan["number"], [])
        for answer in answers:
            first = (answer.get("candidates") or [{}])[0].get("animal_id") or ""
            against = chip_against_mark(
                photo_sha256=answer.get("sha256", ""),
                photo="this photo",
                number=scan["number"],
                animals=scan["animals"],
                text=answer.get("text", ""),
                candidate_set=answer.get("candidate_set") or [],
                first=first,
                misread_risk=answer.get("misread_risk"),
            )
            if against is not None and against.summary not in said:
                said.append(against.summary)
    numbers = list(found)
    if len(numbers) > 1:
        for number in numbers:
            others = ", ".join(other for other in numbers if other != number)
            found[number].insert(0, f"Another number was read here, too: {others}.")
    return found
