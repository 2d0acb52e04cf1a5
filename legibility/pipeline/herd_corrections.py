"""Corrections by a person of what is said of photos, as entries that leave the old.

Each is one transaction: what changes, its entry of the chain with who and why, and the cases that
it opens or closes. Each can be taken back the same way, and that too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from legibility.errors import StoreError
from legibility.identify.stages import stage_of
from legibility.pipeline.herd_cases import Looked, settle_cases
from legibility.probability import percent
from legibility.store.corrections import ADVICE, PERSON, add_corrections, photo_value
from legibility.store.database import HerdDatabase
from legibility.store.human_readings import find_human_reading
from legibility.store.pairs import name_by_chip
from legibility.store.photos import find_photo
from legibility.store.readings import readings_of
from legibility.store.records import CorrectionRow, ReadingSummary
from legibility.store.scans import find_scan

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


def correct_photos(
    db: HerdDatabase,
    photos: Sequence[str],
    *,
    who: str,
    reason: str,
    animal_id: str | None = None,
    ear: str | None = None,
    stage: str | None = None,
    apart_from_scan: bool = False,
) -> Corrected:
    """Correct what is said of photos; None leaves it as it is, the empty text is "not known".

    Parameters
    ----------
    photos : sequence of str
        Their digests; they are corrected in one go.
    animal_id : str, optional
        Empty for nobody: then no import and no transponder gives them a name again.
    apart_from_scan : bool
        Also say that they were not taken with the transponder scan that they are connected with.

    Raises
    ------
    StoreError
        If a photo or the animal is not in the record, ear or stage is none, nobody is said to do
        it, no reason is given, or nothing would change.
    """
    if ear is not None and ear not in EARS:
        raise StoreError(f"ear is {ear[:40]!r}; expected left, right, both or nothing")
    if stage:
        known = stage_of(stage)
        if known is None:
            raise StoreError(f"stage is {stage[:40]!r}, which is none; see `legibility help`")
        stage = known.value
    with db.transaction():
        changes: Changes = []
        for sha256 in dict.fromkeys(photos):
            if animal_id is not None:
                changes += photo_change(db, sha256, "animal", animal_id, PERSON)
            for field, value in (("ear", ear), ("stage", stage)):
                if value is not None:
                    changes += photo_change(db, sha256, field, value)
            if apart_from_scan:
                changes += photo_change(db, sha256, "scan", "")
                changes += [] if animal_id is not None else unnamed(db, sha256)
        return put_changes(db, changes, what="correct photo", who=who, reason=reason)


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
                f"the newest reading ({found.reading_id}) names {found.first_animal}; look again, "
                "or correct the photo to give it to another animal"
            )
        now, _ = photo_value(db, sha256, "animal")
        if now:
            raise StoreError(f"this photo is given to {now} already; correct it instead")
        chance = found.first_probability or 0.0
        return put_changes(
            db,
            photo_change(db, sha256, "animal", animal_id, ADVICE),
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
    before = _concerned(db, changes)
    entry = add_corrections(db, changes, what=what, who=who, reason=reason, said=said)
    for change in changes:
        if change.kind == "photo":
            name_by_chip(db, sha256=change.about)
    after = _concerned(db, changes)
    both = Looked(before.photos | after.photos, before.animals | after.animals)
    why = f"entry {entry}: {reason}"
    opened, closed = settle_cases(db, both, who=who, reason=why)
    return Corrected(entry, tuple(changes), opened, closed)


def _concerned(db: HerdDatabase, changes: Sequence[CorrectionRow]) -> Looked:
    """Photos, ears and scans that changes say something of."""
    photos: set[str] = set()
    animals: set[str] = set()
    for change in changes:
        if change.kind == "photo":
            photos.add(change.about)
        elif change.kind == "reading":
            for number in filter(None, (int(change.about), change.instead)):
                reading, _ = find_human_reading(db, number)
                photos |= {reading.photo_sha256} - {""}
                animals |= {reading.animal_id} - {""}
        elif change.kind == "scan":
            for number in filter(None, (int(change.about), change.instead)):
                animals |= {find_scan(db, number)[0].animal_id} - {""}
    return Looked(frozenset(photos), frozenset(animals))


def photo_change(db: HerdDatabase, sha256: str, field: str, value: str, by: str = "") -> Changes:
    """The change of one thing that is said of a photo; none where it is so already."""
    if find_photo(db, sha256) is None:
        raise StoreError(f"photo {sha256[:12]}... is not in this record; import it first")
    before, before_by = photo_value(db, sha256, field)
    if before == value and (field != "animal" or value or before_by == by):
        return []
    return [CorrectionRow("photo", sha256, field, before, value, before_by, by)]


def unnamed(db: HerdDatabase, sha256: str) -> Changes:
    """The name that a photo has by its scan alone is taken away."""
    by_chip = photo_value(db, sha256, "animal")[1] == "chip"
    return photo_change(db, sha256, "animal", "") if by_chip else []
