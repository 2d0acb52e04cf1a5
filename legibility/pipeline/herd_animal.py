"""Everything the record holds of one animal, and its condition over the years as points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from legibility.errors import StoreError
from legibility.herd.histories import DAYS_A_YEAR
from legibility.pipeline.herd_history import History, mark_history, readings_by_eye
from legibility.store.animals import chips_of, find_animal
from legibility.store.database import HerdDatabase
from legibility.store.decisions import all_cases, all_decisions
from legibility.store.handling_events import all_handling_events
from legibility.store.photos import photos_of
from legibility.store.readings import latest_summaries
from legibility.store.records import (
    AnimalRow,
    CaseRow,
    ChipRow,
    DecisionRow,
    HandlingEvent,
    HumanReading,
    PhotoRow,
    ReadingSummary,
    ScanRow,
)
from legibility.store.scans import scans_of


@dataclass(frozen=True, slots=True)
class PhotoShown:
    """A photo with its newest reading."""

    photo: PhotoRow
    name: str
    """File name without folders."""
    reading: ReadingSummary | None


@dataclass(frozen=True, slots=True)
class ConditionPoint:
    """The mark's grade at one sighting."""

    years: float
    """Since the application of the newest mark, or since the first sighting."""
    grade: float
    words: str


@dataclass(frozen=True, slots=True)
class AnimalFile:
    """One animal."""

    animal: AnimalRow
    history: History
    photos: tuple[PhotoShown, ...]
    """By time."""
    chips: tuple[ChipRow, ...]
    scans: tuple[ScanRow, ...]
    events: tuple[HandlingEvent, ...]
    people: tuple[HumanReading, ...]
    decisions: tuple[DecisionRow, ...]
    cases: tuple[CaseRow, ...]
    condition: tuple[ConditionPoint, ...]
    since: str
    """From when years are counted: ``application`` or ``the first sighting``."""


def animal_file(db: HerdDatabase, animal_id: str, *, usable_grade: float) -> AnimalFile:
    """All of one animal.

    Raises
    ------
    StoreError
        If it is not in the record.
    """
    animal = find_animal(db, animal_id)
    if animal is None:
        raise StoreError(f"animal {animal_id[:80]!r} is not in this record")
    history = mark_history(db, animal_id, usable_grade=usable_grade)
    readings = {r.photo_sha256: r for r in latest_summaries(db, animal_id=animal_id)}
    cases = [case for case in all_cases(db) if animal_id in _named(case)]
    condition, since = _condition(history)
    keys = {case.case_key for case in cases}
    return AnimalFile(
        animal=animal,
        history=history,
        photos=tuple(
            PhotoShown(photo, Path(photo.path).name, readings.get(photo.sha256))
            for photo in photos_of(db, animal_id)
        ),
        chips=chips_of(db, animal_id),
        scans=scans_of(db, animal_id),
        events=tuple(all_handling_events(db, animal_id=animal_id)),
        people=tuple(found for found, _ in readings_by_eye(db, animal_id)),
        decisions=tuple(
            d for d in all_decisions(db) if d.animal_id == animal_id or d.case_key in keys
        ),
        cases=tuple(cases),
        condition=condition,
        since=since,
    )


def animals_named(case: CaseRow) -> tuple[str, ...]:
    """Animals or marks that a case is about, as its detail names them."""
    return tuple(dict.fromkeys(_named(case)))


def _named(case: CaseRow) -> list[str]:
    detail = case.detail
    names = ("animal", "animal_by_transponder", "animal_by_mark", "animal_by_list")
    found = [*(detail.get("animals") or ()), *(detail.get(name) for name in names)]
    return [str(name) for name in found if name]


def _condition(history: History) -> tuple[tuple[ConditionPoint, ...], str]:
    graded = [
        (day, sighting.grade, sighting)
        for sighting in history.sightings
        if sighting.grade is not None and (day := _date(sighting.day)) is not None
    ]
    current = [_date(mark.applied_on) for mark in history.marks if not mark.retired_on]
    known = [day for day in current if day is not None]
    days: Sequence[date] = [day for day, _, _ in graded]
    if not graded:
        return (), ""
    # A mark cannot be seen before it was applied: such a day is a mistake, or of an older mark.
    start = max(known) if known and max(known) <= min(days) else min(days)
    since = "application" if known and start == max(known) else "the first sighting"
    points = tuple(
        ConditionPoint(
            (day - start).days / DAYS_A_YEAR,
            float(grade),
            f"{sighting.day}, {sighting.by}: grade {grade:.1f}, read {sighting.text or 'nothing'}",
        )
        for day, grade, sighting in graded
    )
    return points, since


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None
