"""Finds where transponders, marks and lists contradict each other, and opens cases for them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from legibility.herd.contradictions import (
    Contradiction,
    chip_against_claim,
    chip_against_mark,
    chip_contradictions,
    mark_against_claim,
    scan_against_record,
)
from legibility.store.animals import all_chips
from legibility.store.claimed import claimed_readings
from legibility.store.database import HerdDatabase
from legibility.store.decisions import all_cases, open_case
from legibility.store.events import append_event
from legibility.store.pairs import paired_readings
from legibility.store.records import CaseRow
from legibility.store.scans import scanned_animals


@dataclass(frozen=True, slots=True)
class CasesFound:
    """Open cases, and how many of them are new."""

    open: tuple[CaseRow, ...]
    new: int


def find_cases(db: HerdDatabase, *, who: str = "") -> CasesFound:
    """Open a case for each contradiction that has none yet; nothing else is changed.

    Raises
    ------
    StoreError
        If the record cannot be written.
    """
    found = list(_contradictions(db))
    with db.transaction():
        opened = [
            c.key for c in found if open_case(db, CaseRow(c.key, c.kind, c.summary, c.detail))
        ]
        if opened:
            append_event(db, what="open cases", who=who, outputs={"cases": opened})
    return CasesFound(tuple(all_cases(db, open_only=True)), len(opened))


def _contradictions(db: HerdDatabase) -> Iterator[Contradiction]:
    chips = [(chip.animal_id, chip.number) for chip in all_chips(db)]
    yield from chip_contradictions(chips)
    yield from _scanned(db, chips)
    told: set[tuple[str, str]] = set()
    for pair in paired_readings(db):
        by_claim = chip_against_claim(
            photo_sha256=pair.photo_sha256,
            photo=pair.path,
            number=pair.number,
            animals=pair.animals,
            claimed=pair.claimed,
            by=pair.claimed_by,
        )
        by_mark = chip_against_mark(
            photo_sha256=pair.photo_sha256,
            photo=pair.path,
            number=pair.number,
            animals=pair.animals,
            text=pair.text,
            candidate_set=pair.candidate_set,
            first=pair.first,
            misread_risk=pair.misread_risk,
        )
        if by_mark is not None:
            told.add((pair.photo_sha256, pair.animals[0]))
        yield from (c for c in (by_claim, by_mark) if c is not None)
    for seen in claimed_readings(db):
        against = mark_against_claim(
            photo_sha256=seen.photo_sha256,
            photo=seen.path,
            claimed=seen.claimed,
            by=seen.claimed_by,
            text=seen.text,
            decision=seen.decision,
            candidate_set=seen.candidate_set,
            first=seen.first,
            misread_risk=seen.misread_risk,
        )
        # Where a transponder names the listed animal too, its case is about the same two.
        if against is not None and (seen.photo_sha256, seen.claimed) not in told:
            yield against


def _scanned(db: HerdDatabase, chips: Sequence[tuple[str, str]]) -> Iterator[Contradiction]:
    """Scans that name their animal, against the transponders on record."""
    owners: dict[str, list[str]] = {}
    numbers: dict[str, list[str]] = {}
    for animal_id, number in chips:
        owners.setdefault(number, []).append(animal_id)
        numbers.setdefault(animal_id, []).append(number)
    for animal_id, number, at in scanned_animals(db):
        found = scan_against_record(
            at=at,
            animal_id=animal_id,
            number=number,
            owners=owners.get(number, ()),
            its=numbers.get(animal_id, ()),
        )
        if found is not None:
            yield found
