"""The transponder box: a number is understood, kept, and held against what was read."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from legibility.errors import ChipError
from legibility.herd.chip import code_notices, identity_problem
from legibility.herd.chiptext import parse_chip
from legibility.herd.contradictions import chip_against_mark
from legibility.pipeline.chute import now_local
from legibility.store.animals import animals_with_chip
from legibility.store.database import open_herd
from legibility.store.events import append_event
from legibility.store.records import ScanRow
from legibility.store.scans import add_scan


def enter_transponder(
    herd: Path, text: str, *, answers: Sequence[dict[str, Any]], allow_test: bool
) -> dict[str, Any]:
    """Keep a scan and say whose number it is, and whether the photos disagree.

    Raises
    ------
    ChipError
        If the text is no transponder's number.
    """
    code = parse_chip(text.strip()).code
    problem = identity_problem(code, allow_test=allow_test)
    if problem:
        raise ChipError(problem)
    with open_herd(herd) as db:
        with db.transaction():
            scan = ScanRow(code.number, now_local(), reader="chute", raw=text.strip())
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
    disagreements = []
    for answer in answers:
        first = (answer.get("candidates") or [{}])[0].get("animal_id") or ""
        found = chip_against_mark(
            photo_sha256=answer.get("sha256", ""),
            photo="this photo",
            number=code.number,
            animals=animals,
            text=answer.get("text", ""),
            candidate_set=answer.get("candidate_set") or [],
            first=first,
            misread_risk=answer.get("misread_risk"),
        )
        if found is not None:
            disagreements.append(found.summary)
    return {
        "number": code.number,
        "animals": list(animals),
        "notices": list(code_notices(code)),
        "disagreements": list(dict.fromkeys(disagreements)),
    }
