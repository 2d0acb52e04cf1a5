"""Finds where transponders, marks and lists contradict each other, and opens cases for them.

A case opens with what contradicts: in the same transaction as a reading, a scan or a correction.
It closes by a person's decision, or when a correction has taken the contradiction away.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from legibility.herd.contradictions import (
    Contradiction,
    chip_against_claim,
    chip_against_mark,
    chip_contradictions,
    eye_against_claim,
    mark_against_claim,
    scan_against_record,
)
from legibility.store.animals import all_chips, animals_with_chip, chips_of, owners_of_chips
from legibility.store.claimed import claimed_readings, strange_eye_readings
from legibility.store.corrections import add_corrections, corrections_of
from legibility.store.database import HerdDatabase
from legibility.store.decisions import all_cases, case_of_key, open_case
from legibility.store.events import append_event
from legibility.store.pairs import paired_readings
from legibility.store.records import CaseRow, CorrectionRow
from legibility.store.scans import scanned_animals

SETTLE: Final = "settle cases"
"""Entry of cases that a correction has closed or opened again."""
_OF_PHOTOS: Final = ("photo:", "claim:", "list:", "eye:", "scan:")
"""How the keys of cases begin that are found again from what the record holds."""


@dataclass(frozen=True, slots=True)
class CasesFound:
    """Open cases, and how many of them are new."""

    open: tuple[CaseRow, ...]
    new: int


@dataclass(frozen=True, slots=True)
class Looked:
    """What a contradiction may be about: photos, ears of animals, scans."""

    photos: frozenset[str] = frozenset()
    animals: frozenset[str] = frozenset()

    def about(self, case: CaseRow) -> bool:
        """Whether a case is about one of them, and would be found again."""
        if not case.case_key.startswith(_OF_PHOTOS):
            return False
        digest = str(case.detail.get("photo_sha256") or "")
        if digest:
            return digest in self.photos
        return str(case.detail.get("animal_by_list")) in self.animals


def find_cases(db: HerdDatabase, *, who: str = "") -> CasesFound:
    """Open a case for each contradiction that has none yet; nothing else is changed.

    Raises
    ------
    StoreError
        If the record cannot be written.
    """
    found = [*_of_chips(db), *_to_open(_of_photos(db, None))]
    with db.transaction():
        new = _open(db, found, who=who, reason="")
    return CasesFound(tuple(all_cases(db, open_only=True)), len(new))


def open_cases(
    db: HerdDatabase,
    *,
    photos: Collection[str] = (),
    animals: Collection[str] = (),
    who: str = "",
    reason: str = "",
) -> tuple[int, ...]:
    """Open the cases about some photos and ears, in the transaction that is open.

    Gives the numbers of those that are new or open again. To be called with whatever was entered.
    """
    looked = Looked(frozenset(photos), frozenset(animals))
    return _open(db, list(_to_open(_of_photos(db, looked))), who=who, reason=reason)


def settle_cases(
    db: HerdDatabase, looked: Looked, *, who: str, reason: str
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Open and close cases after a correction, in its transaction.

    Returns
    -------
    (tuple of int, tuple of int)
        Numbers of the cases opened, and of those closed because nothing contradicts any more.
    """
    found = list(_of_photos(db, looked))
    opened = _open(db, list(_to_open(found)), who=who, reason=reason)
    held = {contradiction.key for contradiction, _ in found}
    closed = [
        case
        for case in all_cases(db, open_only=True)
        if looked.about(case) and case.case_key not in held
    ]
    if closed:
        changes = [_state(case.number, before="open", after="closed") for case in closed]
        add_corrections(db, changes, what=SETTLE, who=who, reason=reason)
    return opened, tuple(case.number for case in closed)


def _open(
    db: HerdDatabase, found: Sequence[Contradiction], *, who: str, reason: str
) -> tuple[int, ...]:
    """Open cases that are new, and again those that a correction had closed."""
    new = [c for c in found if open_case(db, CaseRow(c.key, c.kind, c.summary, c.detail))]
    if new:
        append_event(db, what="open cases", who=who, outputs={"cases": [c.key for c in new]})
    again = []
    for contradiction in found:
        case = case_of_key(db, contradiction.key)
        if case.state == "closed" and _closed_by_correction(db, case.number):
            again.append(_state(case.number, before="closed", after="open"))
    if again:
        why = reason or "the contradiction is there again"
        add_corrections(db, again, what=SETTLE, who=who, reason=why)
    numbers = [case_of_key(db, c.key).number for c in new]
    return tuple(sorted([*numbers, *(int(change.about) for change in again)]))


def _closed_by_correction(db: HerdDatabase, number: int) -> bool:
    """Not by a decision, which stands whatever is found again."""
    rows = corrections_of(db, "case", str(number))
    return bool(rows) and rows[-1].after == "closed"


def _state(number: int, *, before: str, after: str) -> CorrectionRow:
    return CorrectionRow("case", str(number), "state", before, after)


def _to_open(found: Iterable[tuple[Contradiction, bool]]) -> Iterator[Contradiction]:
    yield from (contradiction for contradiction, told in found if not told)


def _of_chips(db: HerdDatabase) -> Iterator[Contradiction]:
    yield from chip_contradictions([(chip.animal_id, chip.number) for chip in all_chips(db)])


def _of_photos(db: HerdDatabase, looked: Looked | None) -> Iterator[tuple[Contradiction, bool]]:
    """Contradictions about photos, ears and scans, and whether another case tells the same."""
    photos = None if looked is None else looked.photos
    told: set[tuple[str, str]] = set()
    for pair in paired_readings(db, photos=photos):
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
        yield from ((c, False) for c in (by_claim, by_mark) if c is not None)
    for seen in claimed_readings(db, photos=photos):
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
        if against is not None:
            # Where a transponder names the listed animal too, its case is about the same two.
            yield against, (seen.photo_sha256, seen.claimed) in told
    yield from ((found, False) for found in _by_eye(db, looked))
    if looked is None or looked.animals:
        yield from ((found, False) for found in _scanned(db, looked))


def _by_eye(db: HerdDatabase, looked: Looked | None) -> Iterator[Contradiction]:
    photos, animals = (None, None) if looked is None else (looked.photos, looked.animals)
    for eye in strange_eye_readings(db, photos=photos, animals=animals):
        yield eye_against_claim(
            photo_sha256=eye.photo_sha256,
            photo=eye.path,
            claimed=eye.claimed,
            text=eye.text,
            owners=eye.owners,
            reader=eye.reader,
            reading=eye.number,
        )


def _scanned(db: HerdDatabase, looked: Looked | None) -> Iterator[Contradiction]:
    """Scans that name their animal, against the transponders on record."""
    owners = owners_of_chips(db) if looked is None else None
    numbers: dict[str, list[str]] = {}
    if looked is None:
        for chip in all_chips(db):
            numbers.setdefault(chip.animal_id, []).append(chip.number)
    some = None if looked is None else looked.animals
    for animal_id, number, at in scanned_animals(db, animals=some):
        if owners is None:
            whose = animals_with_chip(db, number)
            its = [chip.number for chip in chips_of(db, animal_id)]
        else:
            whose, its = owners.get(number, ()), numbers.get(animal_id, [])
        found = scan_against_record(
            at=at, animal_id=animal_id, number=number, owners=whose, its=its
        )
        if found is not None:
            yield found
