"""An invented herd whose marks fade by a known law, as a record for tests."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from legibility.containers import (
    Candidate,
    Decision,
    Flag,
    Grade,
    Identification,
    PhotoResult,
    Reading,
    Status,
)
from legibility.store.animals import put_chips
from legibility.store.database import HerdDatabase, create_herd
from legibility.store.events import append_event
from legibility.store.importing import RegistryRow, Source, import_registry
from legibility.store.photos import put_photo
from legibility.store.readings import add_readings
from legibility.store.records import AnimalRow, ChipRow, MarkRow, PhotoRow
from tests.example_results import ambiguous_result
from tests.store.herds import digest

TODAY = date(2025, 6, 1)
SHAPE, SCALE_YEARS = 2.0, 4.0


def reading(
    name: str,
    animal_id: str,
    *,
    grade: float | None = 3.0,
    status: Status = Status.READ,
    first: str | None = None,
    risk: float = 0.02,
) -> PhotoResult:
    """A photo's result: nothing is found in an unreadable one."""
    read = status is Status.READ
    candidate = Candidate(first or animal_id, "", 1 - risk)
    base = ambiguous_result(name)
    return replace(
        base,
        sha256=digest(name),
        status=status,
        text="A1" if read else "",
        flags=Flag.NONE,
        reading=base.reading if read else Reading((), 0.0),
        identification=Identification(
            (candidate,) if read else (),
            (candidate.animal_id,) if read else (),
            Decision.IDENTIFIED if read else Decision(status.value),
            risk if read else 1.0,
            (),
        ),
        grade=None if grade is None or not read else Grade(grade, {}, "as seen"),
    )


def add_photo(
    db: HerdDatabase, result: PhotoResult, animal_id: str, day: date, *, stage: str = ""
) -> None:
    """Store one photo with its reading, in the transaction that is open."""
    put_photo(
        db,
        PhotoRow(
            result.sha256,
            f"/photos/{result.photo}",
            stage=stage,
            taken_at=f"{day}T10:00:00",
            animal_id=animal_id,
            claimed_by="manifest",
        ),
    )
    add_readings(db, [result], read_at=f"{day}T12:00:00Z")


def fading_herd(
    path: Path, *, animals: int = 60, seed: int = 1, fades: bool = True
) -> HerdDatabase:
    """Animals marked over eight years, handled about once a year; a third has transponders.

    Marks are lost by a Weibull law (shape 2, scale 4 years), on dark skin twice as fast; or never.
    What cannot be read as found is photographed again the same day, with the ear clipped.
    """
    rng = np.random.default_rng(seed)
    db = create_herd(path)
    rows, plans = [], []
    for number in range(animals):
        name = f"Ewe {number:03d}"
        dark = number % 2 == 0
        applied = TODAY - timedelta(days=int(rng.integers(200, 8 * 365)))
        status = ("breeding ewe", "for sale", "")[number % 3]
        rows.append(
            RegistryRow(
                AnimalRow(
                    name,
                    birth_date=(applied - timedelta(days=60)).isoformat(),
                    birth_year=(applied - timedelta(days=60)).year,
                    skin="dark" if dark else "pale",
                    status=status,
                ),
                MarkRow(
                    name,
                    f"K{100 + 3 * number}",
                    ear="left",
                    applied_on=applied.isoformat(),
                    operator=("Ada", "Bo")[number % 2],
                    ink="black",
                ),
            )
        )
        lost = SCALE_YEARS * (0.7 if dark else 1.4) * rng.weibull(SHAPE) * 365
        plans.append((name, applied, lost if fades else np.inf))
    import_registry(db, rows, source=Source("registry.csv", "0" * 64, who="Ada"))
    with db.transaction():
        for number, (name, applied, lost) in enumerate(plans):
            day = applied + timedelta(days=int(rng.integers(30, 300)))
            while day < TODAY:
                age = (day - applied).days
                grade = max(1.1, 4.0 - 3.0 * age / lost)
                usable = age < lost
                result = reading(
                    f"{name} {day}.jpg",
                    name,
                    grade=grade,
                    status=Status.READ if usable else Status.UNREADABLE,
                )
                add_photo(db, result, name, day)
                if not usable:
                    again = reading(f"{name} {day} c.jpg", name, status=Status.UNREADABLE)
                    add_photo(db, again, name, day, stage="clipped")
                day += timedelta(days=int(rng.integers(250, 450)))
            if number % 3 == 0:
                put_chips(db, [ChipRow(name, f"276{number:012d}")])
        append_event(db, what="import photos", who="Ada")
    return db
