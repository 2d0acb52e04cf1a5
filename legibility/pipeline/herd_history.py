"""``legibility herd history``: one animal's mark, sighting by sighting."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

from legibility.alphabet import split_mark
from legibility.containers import Flag, Status
from legibility.photo.flags import PREVENTS_READING, describe
from legibility.pipeline.correction_words import reading_words, scan_words
from legibility.pipeline.mark_looks import NAMED
from legibility.store.animals import animal_key
from legibility.store.database import HerdDatabase
from legibility.store.human_readings import all_human_readings
from legibility.store.layouts_seen import SeenLayout, layouts_seen
from legibility.store.marks import marks_of
from legibility.store.photos import photos_of
from legibility.store.readings import latest_summaries
from legibility.store.records import HumanReading, PhotoRow, ReadingSummary
from legibility.store.scans import scans_of


@dataclass(frozen=True, slots=True)
class SightingShown:
    """One look at a mark."""

    day: str
    ear: str
    """Empty when nobody said which."""
    by: str
    """``photo``, or who looked."""
    text: str
    judged: bool
    """Whether it counts for the condition of the mark."""
    usable: bool | None
    """None when it was not judged."""
    grade: float | None
    needle_share: float | None
    """Needles that show ink, of those expected."""
    note: str
    not_seen: bool = False
    """A photo good enough did not show it: no judgement, but a reason to look again."""


class MarkShown(NamedTuple):
    """A mark of an animal."""

    text: str
    ear: str
    applied_on: str
    retired_on: str
    written: str
    """As the list wrote it; empty where that is ``text``."""
    stands: str
    """How it stands in the ear, in words; empty where no photo has shown it for sure."""


@dataclass(frozen=True, slots=True)
class History:
    """All that was seen of an animal's marks."""

    animal_id: str
    marks: tuple[MarkShown, ...]
    sightings: tuple[SightingShown, ...]
    """Oldest first."""
    entered: tuple[tuple[str, str], ...] = ()
    """Readings by eye and scans by their numbers, as they are called to be corrected; and when."""

    def record(self) -> dict[str, Any]:
        """As JSON."""
        return asdict(self)


def mark_history(db: HerdDatabase, animal_id: str, *, usable_grade: float) -> History:
    """Sightings of one animal, those too that could not judge the mark, with the reason.

    Raises
    ------
    StoreError
        If the animal is not in the record.
    """
    animal_key(db, animal_id)
    shown = [_photo(found, usable_grade) for found in latest_summaries(db, animal_id=animal_id)]
    shown += _people(db, animal_id)
    layouts = layouts_seen(db, animal_id, bad=PREVENTS_READING)
    return History(
        animal_id,
        tuple(
            MarkShown(
                m.text,
                m.ear,
                m.applied_on,
                m.retired_on,
                m.written,
                layout_words([seen for seen in layouts if seen.mark_id == m.mark_id]),
            )
            for m in marks_of(db, animal_id)
        ),
        tuple(sorted(shown, key=lambda each: (each.day, each.by))),
        (
            *((reading_words(found), found.read_at) for found, _ in readings_by_eye(db, animal_id)),
            *((scan_words(scan), scan.scanned_at) for scan in scans_of(db, animal_id)),
        ),
    )


def layout_words(found: Sequence[SeenLayout]) -> str:
    """How a mark stands in the ear: ``as HD over 782, read on 2 photos``.

    Where photos show it in different rows, all of them are said, most often seen first.
    """
    said = []
    for seen in found:
        rows = split_mark(seen.text)
        how = f"as {' over '.join(rows)}" if len(rows) > 1 else "in one row"
        said.append(f"{how}, read on {seen.photos} photo{'' if seen.photos == 1 else 's'}")
    return "; or ".join(said)


def _photo(found: ReadingSummary, usable_grade: float) -> SightingShown:
    was_read = found.status == Status.READ.value
    named = bool(found.animal_id) and found.first_animal == found.animal_id
    named = named and found.misread_risk is not None and found.misread_risk <= 1 - NAMED
    usable = was_read and (named or (found.grade or 0.0) >= usable_grade)
    refused = found.status == Status.UNREADABLE.value
    expected, inked = found.needles_expected, found.needles_inked
    if usable:
        note = ""
    elif refused:
        note = "nothing could be read: not seen, until a second, good look agrees"
    else:
        names = [flag.sentence for flag in describe(Flag(found.flags))]
        note = " ".join(["not good enough to judge the mark.", *names])
    return SightingShown(
        day=found.taken_at[:10],
        ear=found.ear,
        by="photo",
        text=found.text,
        judged=usable,
        usable=True if usable else None,
        grade=found.grade,
        needle_share=inked / expected if inked is not None and expected else None,
        note=note,
        not_seen=refused,
    )


def _people(db: HerdDatabase, animal_id: str) -> Iterator[SightingShown]:
    for found, photo in readings_by_eye(db, animal_id):
        yield SightingShown(
            # What is seen on a photo was so on the day it was taken.
            day=((photo.taken_at if photo else "") or found.read_at)[:10],
            ear=found.ear or (photo.ear if photo else ""),
            by=found.reader,
            text=found.text,
            judged=found.usable is not None,
            usable=found.usable,
            grade=found.grade,
            needle_share=None,
            note=found.note,
        )


def readings_by_eye(
    db: HerdDatabase, animal_id: str
) -> Iterator[tuple[HumanReading, PhotoRow | None]]:
    """What people read of an animal, with the photo they looked at."""
    photos = {photo.sha256: photo for photo in photos_of(db, animal_id)}
    for found in all_human_readings(db):
        photo = photos.get(found.photo_sha256)
        if found.animal_id == animal_id or (not found.animal_id and photo is not None):
            yield found, photo
