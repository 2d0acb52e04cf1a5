"""Corrections by a person: of photos, readings by eye and scans, as entries that leave the old.

Each is one transaction: what changes, its entry of the chain with who and why, and the cases that
it opens or closes. Each can be taken back the same way, and that too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from legibility.errors import StoreError
from legibility.herd.chip import identity_problem
from legibility.herd.chiptext import parse_chip
from legibility.identify.stages import stage_of
from legibility.pipeline.herd_cases import Looked, settle_cases
from legibility.pipeline.herd_record import check_read_text
from legibility.report.words import percent
from legibility.store.corrections import (
    ADVICE,
    PERSON,
    add_corrections,
    corrections_of,
    photo_value,
    photos_with_scan,
)
from legibility.store.database import HerdDatabase
from legibility.store.human_readings import find_human_reading, put_human_reading
from legibility.store.pairs import name_by_chip
from legibility.store.photos import find_photo
from legibility.store.readings import readings_of
from legibility.store.records import CorrectionRow, HumanReading, ReadingSummary, ScanRow
from legibility.store.scans import add_scan, find_scan

EARS: Final = ("left", "right", "both", "")
"""What an ear may be corrected to; empty is "not known"."""
Changes = list[CorrectionRow]


@dataclass(frozen=True, slots=True)
class Corrected:
    """What was done."""

    entry: int
    """Of the chain; what takes it back is called by it."""
    changes: tuple[CorrectionRow, ...]
    opened: tuple[int, ...] = ()
    """Numbers of the cases that it opened, or opened again."""
    closed: tuple[int, ...] = ()
    """Numbers of the cases that contradict no more."""


def move_photos(
    db: HerdDatabase,
    photos: Sequence[str],
    animal_id: str,
    *,
    who: str,
    reason: str,
    apart_from_scan: bool = False,
) -> Corrected:
    """Give photos to an animal, or to nobody.

    Parameters
    ----------
    photos : sequence of str
        Their digests.
    animal_id : str
        Empty for nobody: then no import and no transponder gives them a name again.
    apart_from_scan : bool
        Also say that they were not taken with the transponder scan that they are connected with.

    Raises
    ------
    StoreError
        If a photo or the animal is not in the record, nobody is said to do it, no reason is given,
        or nothing would change.
    """

    def changes() -> Changes:
        found = []
        for sha256 in photos:
            found += _photo_change(db, sha256, "animal", animal_id, PERSON)
            if apart_from_scan:
                found += _photo_change(db, sha256, "scan", "")
        return found

    return _done(db, changes, what="correct photo", who=who, reason=reason)


def correct_photo(
    db: HerdDatabase,
    sha256: str,
    *,
    who: str,
    reason: str,
    animal_id: str | None = None,
    ear: str | None = None,
    stage: str | None = None,
    apart_from_scan: bool = False,
) -> Corrected:
    """Correct what is said of a photo; None leaves it as it is, the empty text is "not known".

    Raises
    ------
    StoreError
        As for :func:`move_photos`, or if ear or stage is none.
    """
    if ear is not None and ear not in EARS:
        raise StoreError(f"ear is {ear[:40]!r}; expected left, right, both or nothing")
    if stage:
        known = stage_of(stage)
        if known is None:
            raise StoreError(f"stage is {stage[:40]!r}, which is none; see `legibility help`")
        stage = known.value

    def changes() -> Changes:
        found: Changes = []
        if animal_id is not None:
            found += _photo_change(db, sha256, "animal", animal_id, PERSON)
        for field, value in (("ear", ear), ("stage", stage)):
            if value is not None:
                found += _photo_change(db, sha256, field, value)
        if apart_from_scan:
            found += _photo_change(db, sha256, "scan", "")
            found += [] if animal_id is not None else _unnamed(db, sha256)
        return found

    return _done(db, changes, what="correct photo", who=who, reason=reason)


def advised(db: HerdDatabase, sha256: str) -> ReadingSummary | None:
    """The newest reading of a photo if it names an animal, with that animal's probability."""
    readings = readings_of(db, sha256)
    found = readings[-1] if readings else None
    return found if found is not None and found.first_animal else None


def give_as_advised(
    db: HerdDatabase, sha256: str, animal_id: str, *, who: str, reading: int = 0
) -> Corrected:
    """Give a photo to the animal that its newest reading names first: a person's decision.

    Parameters
    ----------
    animal_id : str
        Whom the person saw named; another one by now is refused.
    reading : int
        Number of the reading that the person saw; 0 for the newest.

    Raises
    ------
    StoreError
        If the photo was not read, names nobody or another animal by now, or has an animal already.
    """
    with db.transaction():
        found = advised(db, sha256)
        if found is None:
            raise StoreError("this photo names no animal of the record, so that nobody is advised")
        if found.first_animal != animal_id or reading not in (0, found.reading_id):
            raise StoreError(
                "this photo was read anew meanwhile; look at the page again before you decide"
            )
        now, _ = photo_value(db, sha256, "animal")
        if now:
            raise StoreError(f"this photo is given to {now} already; correct it instead")
        chance = found.first_probability or 0.0
        return put_changes(
            db,
            _photo_change(db, sha256, "animal", animal_id, ADVICE),
            what="give photo to animal",
            who=who,
            reason=f"a person's decision on the program's advice: reading {found.reading_id} says "
            f"{found.text or 'nothing'}, {animal_id} with a probability of {percent(chance)}",
            said={
                "decided_by": "person",
                "advice": {
                    "reading": found.reading_id,
                    "animal_id": animal_id,
                    "probability": found.first_probability,
                    "decision": found.decision,
                },
            },
        )


def take_back_reading(db: HerdDatabase, number: int, *, who: str, reason: str) -> Corrected:
    """Say that a reading by eye was mistaken: it stays in the record and counts no more.

    Raises
    ------
    StoreError
        If there is none, it was taken back before, or nobody or no reason is given.
    """
    return _done(
        db,
        lambda: reading_back(db, number),
        what="take back reading",
        who=who,
        reason=reason,
    )


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
        As for :func:`take_back_reading`, or if the text can be no mark, or nothing would change.
    """

    def changes() -> Changes:
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
        back = _taken_back("reading", number, counts=counts)
        return _instead(db, back, *put_human_reading(db, new))

    return _done(db, changes, what="correct reading", who=who, reason=reason)


def take_back_scan(db: HerdDatabase, number: int, *, who: str, reason: str) -> Corrected:
    """Say that a scan was mistaken: it confirms no photo any more, and names none.

    Raises
    ------
    StoreError
        As for :func:`take_back_reading`.
    """
    return _done(db, lambda: scan_back(db, number), what="take back scan", who=who, reason=reason)


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
        As for :func:`take_back_reading`, or if the number can stand for no animal.
    ChipError
        If the number is none.
    """
    code = parse_chip(transponder).code if transponder else None
    problem = identity_problem(code, allow_test=allow_test) if code else ""
    if problem:
        raise StoreError(problem)

    def changes() -> Changes:
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
        back = _taken_back("scan", number, counts=counts)
        key, fresh = add_scan(db, new)
        return [*_instead(db, back, key, fresh), *_apart(db, number, str(key))]

    return _done(db, changes, what="correct scan", who=who, reason=reason)


def reading_back(db: HerdDatabase, number: int) -> Changes:
    """What takes a reading by eye back."""
    return _taken_back("reading", number, counts=find_human_reading(db, number)[1])


def scan_back(db: HerdDatabase, number: int) -> Changes:
    """What takes a scan back, from the photos too that were taken with it."""
    _, counts = find_scan(db, number)
    return [*_taken_back("scan", number, counts=counts), *_apart(db, number, "")]


def _done(
    db: HerdDatabase, changes: Callable[[], Changes], *, what: str, who: str, reason: str
) -> Corrected:
    with db.transaction():
        return put_changes(db, changes(), what=what, who=who, reason=reason)


def put_changes(
    db: HerdDatabase,
    changes: Changes,
    *,
    what: str,
    who: str,
    reason: str,
    said: Mapping[str, Any] | None = None,
) -> Corrected:
    """Make changes and what follows from them, in the transaction that is open.

    Raises
    ------
    StoreError
        If there is nothing to change, or nobody or no reason is given.
    """
    if not who.strip() or not reason.strip():
        raise StoreError("a correction needs who makes it and why")
    if not changes:
        raise StoreError("nothing would change: it is so already")
    looked = concerned(db, changes)
    entry = add_corrections(db, changes, what=what, who=who, reason=reason, said=said)
    for change in changes:
        if change.kind == "photo":
            name_by_chip(db, sha256=change.about)
    after = concerned(db, changes)
    both = Looked(looked.photos | after.photos, looked.animals | after.animals)
    why = f"entry {entry}: {reason}"
    opened, closed = settle_cases(db, both, who=who, reason=why)
    return Corrected(entry, tuple(changes), opened, closed)


def concerned(db: HerdDatabase, changes: Sequence[CorrectionRow]) -> Looked:
    """Photos, ears and scans that changes say something of."""
    photos: set[str] = set()
    animals: set[str] = set()
    for change in changes:
        if change.kind == "photo":
            photos.add(change.about)
        elif change.kind == "reading":
            for number in filter(None, (int(change.about), change.instead)):
                reading: HumanReading = find_human_reading(db, number)[0]
                photos |= {reading.photo_sha256} - {""}
                animals |= {reading.animal_id} - {""}
        elif change.kind == "scan":
            for number in filter(None, (int(change.about), change.instead)):
                scan: ScanRow = find_scan(db, number)[0]
                animals |= {scan.animal_id} - {""}
    return Looked(frozenset(photos), frozenset(animals))


def _photo_change(db: HerdDatabase, sha256: str, field: str, value: str, by: str = "") -> Changes:
    """The change of one thing that is said of a photo; none where it is so already."""
    if find_photo(db, sha256) is None:
        raise StoreError(f"photo {sha256[:12]}... is not in this record; import it first")
    before, before_by = photo_value(db, sha256, field)
    same = before == value and (field != "animal" or value or before_by == by)
    if same:
        return []
    return [CorrectionRow(0, 0, "photo", sha256, field, before, value, before_by, by)]


def _taken_back(kind: str, number: int, *, counts: bool) -> Changes:
    if not counts:
        raise StoreError(f"{kind} {number} was taken back before")
    return [CorrectionRow(0, 0, kind, str(number), "counts", "yes", "no")]


def _instead(db: HerdDatabase, back: Changes, number: int, new: bool) -> Changes:
    """The same with the number of what stands in its place, which counts again if it was there."""
    (row,) = back
    changes = [replace(row, instead=number)]
    if not new:
        rows = corrections_of(db, row.kind, str(number))
        if not rows or rows[-1].after == "yes":
            raise StoreError(f"this is {row.kind} {number} already; take this one back instead")
        changes.append(CorrectionRow(0, 0, row.kind, str(number), "counts", "no", "yes"))
    return changes


def _apart(db: HerdDatabase, scan: int, instead: str) -> Changes:
    """Photos go from a scan to another or to none, and lose the name that came by it."""
    found: Changes = []
    for sha256 in photos_with_scan(db, scan):
        found += _photo_change(db, sha256, "scan", instead)
        found += _unnamed(db, sha256)
    return found


def _unnamed(db: HerdDatabase, sha256: str) -> Changes:
    """The name that a photo has by its scan alone is taken away."""
    by_chip = photo_value(db, sha256, "animal")[1] == "chip"
    return _photo_change(db, sha256, "animal", "") if by_chip else []
