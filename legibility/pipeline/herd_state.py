"""What the record knows of every animal's mark, as arrays: the ground of worklist, plan and report.

Looking through half a million readings takes seconds, so that the result is kept in a file beside
the record (``herd.db.derived.npz``) with the hash of the record's last entry. It is no part of the
record: it is made again whenever anything was added, and may be deleted at any time.
"""

from __future__ import annotations

import os
import tempfile
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from legibility import __version__
from legibility.errors import StoreError
from legibility.herd.histories import (
    Sighted,
    histories,
    last_in_each_year,
    sighted,
    spans_by_age,
    spans_by_grade,
    usable_by_age,
)
from legibility.herd.intervals import Floats, Spans
from legibility.pipeline.herd_fades import fades_text, fit_fades
from legibility.pipeline.mark_risks import mark_risks
from legibility.settings import Settings
from legibility.store.animals import all_animals, all_chips
from legibility.store.database import HerdDatabase
from legibility.store.events import GENESIS, last_event
from legibility.store.handling_events import all_handling_events
from legibility.store.human_readings import all_human_readings
from legibility.store.marks import all_marks
from legibility.store.records import AnimalRow, MarkRow
from legibility.store.sightings import Sightings, all_sightings

PROPERTIES: Final = ("skin", "ink", "age at application", "operator", "die set")
"""What may change how long a mark lasts, as far as it is recorded."""
AGE_CLASSES: Final = ((0.25, "under 3 months"), (1.0, "3 to 12 months"), (999.0, "over a year"))
"""Choice: classes of the age at application, by their upper limit in years."""
GONE: Final = frozenset({"sold", "died"})
"""Handling events after which an animal is not handled any more."""
GONE_WORDS: Final = ("sold", "dead", "died", "slaughtered")
"""Choice: words of a status that say the same."""
EPOCH: Final = date(1970, 1, 1)
_BEGINNING: Final = -1e6

Texts = NDArray[np.str_]


@dataclass(frozen=True, slots=True)
class HerdState:
    """One entry an animal, in the record's order."""

    animal: Texts
    mark: Texts
    """Newest mark that is not retired; empty for none."""
    ear: Texts
    status: Texts
    gone: NDArray[np.bool_]
    """Sold or dead."""
    has_chip: NDArray[np.bool_]
    ears_taken: NDArray[np.int64]
    """Ears that hold a current mark, 0..2."""
    applied: Floats
    """Day of application, days since 1970-01-01; NaN where it is not known."""
    from_birth: NDArray[np.bool_]
    """Whether ``applied`` is the birth, for want of the day of application."""
    last_usable: Floats
    """Day the mark was last seen usable; NaN for never."""
    first_lost: Floats
    """Day it was first seen lost after that; NaN for never."""
    grade: Floats
    sightings: NDArray[np.int64]
    """Days on which it could be judged."""
    photos: NDArray[np.int64]
    """Photos of the animal that were read, those that show nothing too."""
    reading_risk: Floats
    """What the newest reading says of itself: probability that this animal is taken for another
    one; NaN for none."""
    contradicted: NDArray[np.bool_]
    """The newest reading names another animal than the photo is said to show."""
    risk: Floats
    risk_lost: Floats
    rival: NDArray[np.int64]
    rival_probability: Floats
    same_mark: NDArray[np.int64]
    classes: Texts
    """(animals, properties) in the order of ``PROPERTIES``."""
    usable_in_year: NDArray[np.int64]
    """(years, 2) marks usable, and judged, in each year of their age."""
    by_age: Spans
    """Years from application to loss, all marks, retired ones too."""
    by_grade: Spans
    """Years from a sighting to loss, by the grade then."""
    curves: NDArray[np.str_]
    """() text of the curves fitted to both, see ``herd_fades``."""

    def __len__(self) -> int:
        return len(self.animal)


def herd_state(
    db: HerdDatabase, *, usable_grade: float, settings: Settings | None = None, keep: bool = True
) -> HerdState:
    """State of the herd, from the file beside the record where that is up to date.

    Parameters
    ----------
    usable_grade : float
        A mark of a lower grade counts as lost.
    keep : bool
        Use and write the file beside the record.
    """
    settings = settings or Settings()
    last = last_event(db)
    stamp = "|".join(
        (__version__, str(db.version), f"{usable_grade:g}", settings.sha256,
         GENESIS if last is None else last.hash)
    )  # fmt: skip
    path = Path(f"{db.path}.derived.npz")
    known = _loaded(path, stamp) if keep else None
    if known is not None:
        return known
    with db.snapshot():
        state = _computed(db, usable_grade=usable_grade, settings=settings)
    if keep:
        _save(path, state, stamp)
    return state


def day_of(text: str) -> float:
    """Days since 1970-01-01 of a time as the record keeps it; NaN for none."""
    try:
        return float((date.fromisoformat(text[:10]) - EPOCH).days)
    except ValueError:
        return np.nan


@dataclass(frozen=True, slots=True)
class _Seen:
    """All marks of the record and their sightings."""

    animals: list[AnimalRow]
    marks: list[MarkRow]
    owner: NDArray[np.int64]
    """(marks,) place of the animal."""
    begins: list[tuple[float, bool]]
    applied: Floats
    photos: Sightings
    seen: Sighted


def judged_at_age(db: HerdDatabase, *, usable_grade: float, years: int) -> dict[str, bool]:
    """Animals whose mark was judged at an age of so many whole years, and whether it was usable.

    What stands behind one row of the share usable by age.
    """
    with db.snapshot():
        all_seen = _seen(db, usable_grade=usable_grade)
    mark, year, usable = last_in_each_year(all_seen.seen, all_seen.applied)
    return {
        all_seen.marks[m].animal_id: bool(good)
        for m, y, good in zip(mark.tolist(), year.tolist(), usable.tolist(), strict=True)
        if y == years
    }


def _seen(db: HerdDatabase, *, usable_grade: float) -> _Seen:
    animals = list(all_animals(db))
    index = {animal.animal_id: place for place, animal in enumerate(animals)}
    marks = _by_start([mark for mark in all_marks(db) if mark.animal_id in index], index)
    owner = np.array([index[mark.animal_id] for mark in marks], dtype=np.int64)
    begins = [_applied(mark, animals[index[mark.animal_id]]) for mark in marks]
    photos = all_sightings(db)
    return _Seen(
        animals,
        marks,
        owner,
        begins,
        np.array([day for day, _ in begins], dtype=np.float64),
        photos,
        _sighted(db, photos, index, owner, marks, usable_grade),
    )


def _computed(db: HerdDatabase, *, usable_grade: float, settings: Settings) -> HerdState:
    everything = _seen(db, usable_grade=usable_grade)
    animals, marks, owner = everything.animals, everything.marks, everything.owner
    begins, applied = everything.begins, everything.applied
    photos, seen = everything.photos, everything.seen
    known = histories(seen, len(marks))
    classes = _classes(marks, [animals[place] for place in owner], applied)
    properties = [(name, list(classes[:, at])) for at, name in enumerate(PROPERTIES)]
    newest = _newest(marks, owner, len(animals))
    has, at = newest >= 0, np.maximum(newest, 0)
    grade = _picked(known.grade, has, at)
    texts = np.array([marks[i].text if i >= 0 else "" for i in newest], dtype=np.str_)
    carried = np.flatnonzero(has)
    risks = mark_risks(list(texts[carried]), grade[carried], settings=settings)
    rival = np.full((len(animals), risks.rival.shape[1]), -1, dtype=np.int64)
    if len(carried):
        rival[carried] = np.where(risks.rival >= 0, carried[risks.rival], -1)
    chance = np.zeros(rival.shape)
    chance[carried] = risks.rival_probability
    chips = {chip.animal_id for chip in all_chips(db)}
    left = {e.animal_id for e in all_handling_events(db) if e.kind in GONE}
    reading_risk, contradicted = _newest_readings(photos, len(animals))
    ids = [animal.animal_id for animal in animals]
    by_age, by_grade = spans_by_age(known, applied, properties), spans_by_grade(seen, known)
    return HerdState(
        animal=np.array(ids, dtype=np.str_),
        mark=texts,
        ear=np.array([marks[i].ear if i >= 0 else "" for i in newest], dtype=np.str_),
        status=np.array([animal.status for animal in animals], dtype=np.str_),
        gone=np.array([_is_gone(animal, left) for animal in animals], dtype=np.bool_),
        has_chip=np.array([name in chips for name in ids], dtype=np.bool_),
        ears_taken=_ears_taken(marks, owner, len(animals)),
        applied=_picked(applied, has, at),
        from_birth=np.array([bool(i >= 0 and begins[i][1]) for i in newest], dtype=np.bool_),
        last_usable=_picked(known.last_usable, has, at),
        first_lost=_picked(known.first_lost, has, at),
        grade=grade,
        sightings=np.where(has, known.sightings[at], 0) if len(marks) else np.zeros(len(ids), int),
        photos=np.bincount(photos.animal, minlength=len(animals)).astype(np.int64),
        reading_risk=reading_risk,
        contradicted=contradicted,
        risk=_spread(risks.risk, carried, len(animals)),
        risk_lost=_spread(risks.risk_lost, carried, len(animals)),
        rival=rival,
        rival_probability=chance,
        same_mark=_spread(risks.same_mark, carried, len(animals)).astype(np.int64),
        classes=classes[at] if len(marks) else np.full((len(ids), len(PROPERTIES)), ""),
        usable_in_year=usable_by_age(seen, applied),
        by_age=by_age,
        by_grade=by_grade,
        curves=np.array(fades_text(fit_fades(by_age, by_grade))),
    )


def _by_start(marks: list[MarkRow], index: Mapping[str, int]) -> list[MarkRow]:
    """By animal and day of application; a mark whose day is not known counts as the oldest."""
    return sorted(marks, key=lambda mark: (index[mark.animal_id], mark.applied_on, mark.mark_id))


def _applied(mark: MarkRow, animal: AnimalRow) -> tuple[float, bool]:
    """Day of application, or of the birth; and whether it is the birth."""
    if mark.applied_on:
        return day_of(mark.applied_on), False
    if animal.birth_date:
        return day_of(animal.birth_date), True
    # Half of a year is the middle of what the year alone says.
    return (day_of(f"{animal.birth_year:04d}-07-01"), True) if animal.birth_year else (np.nan, True)


def _sighted(
    db: HerdDatabase,
    photos: Sightings,
    index: Mapping[str, int],
    owner: NDArray[np.int64],
    marks: list[MarkRow],
    usable_grade: float,
) -> Sighted:
    """Judgements by photos and by people, put down to the mark that was current that day."""
    # A photo judges the mark when it gave a grade, or when capture was good and nothing was read.
    judged = ~photos.is_retake & (~np.isnan(photos.grade) | ~photos.was_read)
    usable = photos.was_read & (photos.grade >= usable_grade)
    people = [
        (index[h.animal_id], day_of(h.read_at), h.usable, np.nan if h.grade is None else h.grade)
        for h in all_human_readings(db)
        if h.usable is not None and h.animal_id in index
    ]
    rows = np.array(people, dtype=np.float64).reshape(-1, 4)
    animal = np.concatenate([photos.animal[judged], rows[:, 0].astype(np.int64)])
    day = np.concatenate([photos.day[judged], rows[:, 1]])
    start = np.array([day_of(m.applied_on) if m.applied_on else _BEGINNING for m in marks])
    span = 4e6
    keys = owner * span + (start if len(marks) else np.zeros(0))
    mark = np.searchsorted(keys, animal * span + np.nan_to_num(day), side="right") - 1
    found = mark >= 0
    found[found] = owner[mark[found]] == animal[found]
    return sighted(
        np.where(found, mark, -1),
        day,
        np.concatenate([usable[judged], rows[:, 2] > 0]),
        np.concatenate([photos.grade[judged], rows[:, 3]]),
    )


def _classes(marks: list[MarkRow], animals: list[AnimalRow], applied: Floats) -> Texts:
    rows = []
    for mark, animal, day in zip(marks, animals, applied, strict=True):
        age = ""
        if mark.applied_on and animal.birth_date:
            years = (day - day_of(animal.birth_date)) / 365.25
            age = next((name for limit, name in AGE_CLASSES if years < limit), "")
        rows.append((animal.skin, mark.ink, age, mark.operator, mark.die_set))
    return np.array(rows, dtype=np.str_).reshape(-1, len(PROPERTIES))


def _newest(marks: list[MarkRow], owner: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Index of each animal's newest mark that is not retired; -1 for none."""
    newest = np.full(count, -1, dtype=np.int64)
    for place, (mark, animal) in enumerate(zip(marks, owner, strict=True)):
        if not mark.retired_on:
            newest[animal] = place
    return newest


def _ears_taken(marks: list[MarkRow], owner: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    ears: dict[int, set[str]] = {}
    for mark, animal in zip(marks, owner, strict=True):
        if not mark.retired_on:
            known = ears.setdefault(int(animal), set())
            known.update(("left", "right") if mark.ear == "both" else (mark.ear,))
    taken = np.zeros(count, dtype=np.int64)
    for place, found in ears.items():
        taken[place] = min(len(found), 2)
    return taken


def _newest_readings(photos: Sightings, count: int) -> tuple[Floats, NDArray[np.bool_]]:
    """Of each animal's newest read photo: its risk, and whether it names another animal."""
    use = np.flatnonzero(photos.was_read & ~np.isnan(photos.misread_risk))
    newest = np.full(count, -1, dtype=np.int64)
    newest[photos.animal[use]] = use
    has = newest >= 0
    at = newest[has]
    risk, other = np.full(count, np.nan), np.zeros(count, dtype=np.bool_)
    stated = photos.misread_risk[at]
    other[has] = ~photos.is_first[at]
    # Where another animal came first, this one is taken for it unless that reading is wrong.
    risk[has] = np.where(photos.is_first[at], stated, 1.0 - stated)
    return risk, other


def _is_gone(animal: AnimalRow, left: set[str]) -> bool:
    words = animal.status.casefold()
    return animal.animal_id in left or any(word in words for word in GONE_WORDS)


def _picked(values: Floats, has: NDArray[np.bool_], at: NDArray[np.int64]) -> Floats:
    if not len(values):
        return np.full(len(has), np.nan)
    return np.asarray(np.where(has, values[at], np.nan), dtype=np.float64)


def _spread(values: NDArray[Any], carried: NDArray[np.int64], count: int) -> Floats:
    out = np.zeros(count)
    out[carried] = values
    return out


_ARRAYS: Final = tuple(item.name for item in fields(HerdState) if item.name[:3] != "by_")


def _save(path: Path, state: HerdState, stamp: str) -> None:
    """Keep the state; a medium that cannot be written only costs the time of doing it again."""
    arrays: dict[str, Any] = {name: getattr(state, name) for name in _ARRAYS}
    for name in ("by_age", "by_grade"):
        data: Spans = getattr(state, name)
        arrays |= {
            f"{name}_rows": np.column_stack([data.left, data.right, data.count]),
            f"{name}_classes": data.classes,
            f"{name}_names": np.array(data.names, dtype=np.str_),
        }
        for place, levels in enumerate(data.levels):
            arrays[f"{name}_levels{place}"] = np.array(levels, dtype=np.str_)
    temporary = None
    try:
        handle, temporary = tempfile.mkstemp(dir=path.absolute().parent, prefix=".tmp-derived-")
        with os.fdopen(handle, "wb") as file:
            np.savez(file, stamp=np.array(stamp), **arrays)
        os.replace(temporary, path)
    except OSError:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)


def _loaded(path: Path, stamp: str) -> HerdState | None:
    try:
        with np.load(path, allow_pickle=False) as data:
            if str(data["stamp"]) != stamp:
                return None
            arrays: dict[str, Any] = {name: data[name] for name in _ARRAYS}
            for name in ("by_age", "by_grade"):
                rows, names = data[f"{name}_rows"], data[f"{name}_names"]
                levels = [data[f"{name}_levels{place}"] for place in range(len(names))]
                arrays[name] = Spans(
                    rows[:, 0],
                    rows[:, 1],
                    rows[:, 2],
                    tuple(map(str, names)),
                    data[f"{name}_classes"],
                    tuple(tuple(map(str, each)) for each in levels),
                )
    except (OSError, KeyError, ValueError, EOFError, zipfile.BadZipFile):
        return None
    return HerdState(**arrays)


def needs_marks(state: HerdState, name: str) -> None:
    """Refuse a record without animals or marks.

    Raises
    ------
    StoreError
    """
    if not np.any(state.mark != ""):
        raise StoreError(
            f"{name}: holds no marks yet; import them with: legibility herd import-registry"
        )
