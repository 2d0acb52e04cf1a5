"""Animals, marks and looks at them as columns, for all animals or for those that changed.

Half a million dataclasses take seconds to make; these are made for looking through everything.
``touched`` (see migration 3) says which animals changed since a number that was noted, so that
only their rows need to be taken again.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from legibility.store.database import HerdDatabase

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Texts = NDArray[np.str_]
Flags = NDArray[np.bool_]
_TYPES: Final = {"Floats": np.float64, "Ints": np.int64, "Texts": np.str_, "Flags": np.bool_}
"""What the annotations of the columns below stand for."""

READ: Final = 0
"""A photo that was read; it judges the mark where it was graded."""
UNREADABLE: Final = 1
"""A photo good enough, on which nothing could be read."""
NOT_JUDGED: Final = 2
"""A photo that cannot judge the mark."""
USABLE: Final = 3
"""A person said that the mark can be used."""
NOT_USABLE: Final = 4
NO_EAR, LEFT, RIGHT, BOTH = 0, 1, 2, 3
"""Ears as numbers; LEFT and RIGHT are bits."""
CLEANED, CLIPPED = 1, 2
"""Stages after which less, and nothing, should lie over the mark; clipping comes after cleaning."""
GONE: Final = ("sold", "died")
"""Handling events after which an animal is not handled any more."""
_EAR: Final = "CASE {} WHEN 'left' THEN 1 WHEN 'right' THEN 2 WHEN 'both' THEN 3 ELSE 0 END"
_DAY: Final = "julianday(substr({}, 1, {})) - 2440587.5"


@dataclass(frozen=True, slots=True)
class AnimalColumns:
    """One entry an animal, in the order they were first imported."""

    key: Ints
    """Row number."""
    animal_id: Texts
    born: Floats
    """Day of birth, days since 1970-01-01; NaN where only the year is known, or nothing."""
    birth_year: Ints
    """0 = not recorded."""
    status: Texts
    skin: Texts
    has_chip: Flags
    is_gone: Flags
    """Recorded as sold or dead."""


@dataclass(frozen=True, slots=True)
class MarkColumns:
    """One entry a mark, by animal and day of application; unknown days come first."""

    key: Ints
    animal: Ints
    """Row number of the animal."""
    text: Texts
    ear: Ints
    applied: Floats
    """Day; NaN where it is not recorded."""
    retired: Floats
    """Day from which on it no longer counts; infinite while it does."""
    ink: Texts
    operator: Texts
    die_set: Texts


@dataclass(frozen=True, slots=True)
class LookColumns:
    """One entry a photo of a known animal that was read, and a judgement by a person."""

    animal: Ints
    """Row number of the animal."""
    time: Floats
    """Days since 1970-01-01 with their fraction; NaN where it is not known."""
    ear: Ints
    kind: Ints
    """READ, UNREADABLE, NOT_JUDGED, USABLE or NOT_USABLE."""
    grade: Floats
    """0..4; NaN for none."""
    misread_risk: Floats
    is_first: Flags
    """Whether the first candidate is the animal that the photo is said to show."""
    names_mark: Ints
    """Where no ear is said: row number of the only mark of the animal with the text read, or 0."""
    photo: Ints
    """Row number of the photo; 0 for a person who looked at the ear itself."""
    flags: Ints
    """Bits of ``containers.Flag``: what was wrong with the capture."""
    prepared: Ints
    """How far the ear is said to be prepared: 0 as found, ``CLEANED`` or ``CLIPPED``."""
    settled: Flags
    """The reading passed the threshold of an identification, of whichever animal."""
    disputed: Flags
    """The photo may show another animal, see ``with_open_questions``."""


@dataclass(frozen=True, slots=True)
class HerdColumns:
    """The whole herd, or some animals of it."""

    animals: AnimalColumns
    marks: MarkColumns
    looks: LookColumns


Table = TypeVar("Table", AnimalColumns, MarkColumns, LookColumns)


def touched_at(db: HerdDatabase) -> int:
    """Number of the last change of any animal; it only ever grows."""
    row = db.first("SELECT ifnull(max(seq), 0) FROM touched")
    return int(row[0]) if row else 0


def touched_since(db: HerdDatabase, seq: int) -> Ints:
    """Row numbers of the animals that changed after a number, ascending."""
    rows = db.rows("SELECT animal FROM touched WHERE seq > ? ORDER BY animal", (seq,))
    return np.array([row[0] for row in rows], dtype=np.int64)


def herd_columns(db: HerdDatabase, *, animals: Ints | None = None) -> HerdColumns:
    """Columns of all animals, or of some by their row numbers."""
    some = "" if animals is None else json.dumps(animals.tolist())
    return HerdColumns(_animals(db, some), _marks(db, some), _looks(db, some))


def with_open_questions(db: HerdDatabase, columns: HerdColumns) -> HerdColumns:
    """Columns of the whole herd with what depends on more than the animal itself.

    Photos that nobody gave an animal, but whose reading passed the threshold for one, are looks at
    that animal's mark. Photos of an open case judge no mark, and neither does a photo whose mark
    names another animal than the one it is said to show.
    """
    rows = list(db.rows(_UNNAMED))
    looks = columns.looks
    if rows:
        looks = _in_order(
            LookColumns(
                *(
                    np.concatenate([getattr(looks, item.name), getattr(unnamed, item.name)])
                    for unnamed in [_columns(LookColumns, rows)]
                    for item in fields(looks)
                )
            )
        )
    disputed = [row[0] for row in db.rows(DISPUTED)]
    whose = looks.settled & ~looks.is_first & (looks.kind == READ)
    whose |= (looks.photo > 0) & np.isin(looks.photo, np.array(disputed, dtype=np.int64))
    return replace(columns, looks=replace(looks, disputed=whose))


def replaced(columns: HerdColumns, part: HerdColumns, animals: Ints) -> HerdColumns:
    """Columns with all rows of some animals exchanged for those of ``part``."""
    return HerdColumns(
        _merged(columns.animals, part.animals, "key", animals),
        _merged(columns.marks, part.marks, "animal", animals),
        _merged(columns.looks, part.looks, "animal", animals),
    )


def _merged(whole: Table, part: Table, owner: str, animals: Ints) -> Table:
    kept = ~np.isin(getattr(whole, owner), animals)
    arrays = {
        item.name: np.concatenate([getattr(whole, item.name)[kept], getattr(part, item.name)])
        for item in fields(whole)
    }
    order = np.argsort(arrays[owner], kind="stable")
    return type(whole)(**{name: array[order] for name, array in arrays.items()})


def _only(column: str, some: str) -> tuple[str, tuple[str, ...]]:
    if not some:
        return "1", ()
    return f"{column} IN (SELECT value FROM json_each(?))", (some,)


def _columns(kind: type[Table], rows: Sequence[Sequence[Any]]) -> Table:
    """Rows of a query as columns, its values in the order of the fields; NULL becomes NaN."""
    types = {item.name: str(item.type) for item in fields(kind)}
    columns: Iterable[Any] = zip(*rows, strict=True) if rows else [()] * len(types)
    if "Texts" not in types.values():
        # Measured: half a million rows of figures alone are a second faster as one table.
        columns = np.array(rows, dtype=np.float64).reshape(-1, len(types)).T
    arrays = zip(types.items(), columns, strict=True)
    return kind(**{name: np.array(c, dtype=_TYPES[kept]) for (name, kept), c in arrays})


def _animals(db: HerdDatabase, some: str) -> AnimalColumns:
    where, values = _only("id", some)
    rows = db.rows(
        f"""SELECT id, animal_id, {_DAY.format("birth_date", 10)}, birth_year, status, skin,
                   EXISTS (SELECT 1 FROM chips WHERE animal = animals.id),
                   EXISTS (SELECT 1 FROM handling_events AS h
                           WHERE ifnull(h.animal, 0) = animals.id AND h.kind IN (?, ?))
            FROM animals WHERE {where} ORDER BY id""",
        (*GONE, *values),
    )
    return _columns(AnimalColumns, list(rows))


def _marks(db: HerdDatabase, some: str) -> MarkColumns:
    where, values = _only("animal", some)
    rows = db.rows(
        f"""SELECT id, animal, text, {_EAR.format("ear")}, {_DAY.format("applied_on", 10)},
                   CASE retired_on WHEN '' THEN 9e999
                   ELSE ifnull({_DAY.format("retired_on", 10)}, -1e6) END,
                   ink, operator, die_set
            FROM marks WHERE {where} ORDER BY animal, applied_on, id""",
        values,
    )
    return _columns(MarkColumns, list(rows))


_NAMES_MARK: Final = """CASE WHEN {ear} <> '' OR {text} = '' THEN 0 ELSE ifnull((
    SELECT CASE count(*) WHEN 1 THEN max(m.id) END FROM marks AS m
    WHERE m.animal = {animal} AND replace(m.text, '/', '') = replace({text}, '/', '')), 0) END"""
NEWEST: Final = "NOT EXISTS (SELECT 1 FROM readings AS n WHERE n.photo = r.photo AND n.id > r.id)"
"""Whether ``readings AS r`` is the last one of its photo."""
_CAPTURE: Final = (
    f"p.id, r.flags, CASE lower(p.stage) WHEN 'cleaned' THEN {CLEANED} "
    f"WHEN 'clipped' THEN {CLIPPED} ELSE 0 END, r.decision = 'identified', 0"
)
_PHOTOS: Final = f"""
    SELECT p.animal, {_DAY.format("p.taken_at", 19)}, {_EAR.format("p.ear")},
           CASE r.status WHEN 'read' THEN {READ} WHEN 'unreadable' THEN {UNREADABLE}
           ELSE {NOT_JUDGED} END,
           r.grade, r.misread_risk, r.first_animal = a.animal_id,
           {_NAMES_MARK.format(ear="p.ear", text="r.text", animal="p.animal")},
           {_CAPTURE}
    FROM photos AS p
    JOIN animals AS a ON a.id = p.animal
    JOIN readings AS r ON r.photo = p.id
    WHERE {NEWEST}
    AND """
_UNNAMED: Final = f"""
    SELECT a.id, {_DAY.format("p.taken_at", 19)}, {_EAR.format("p.ear")}, {READ},
           r.grade, r.misread_risk, 1,
           {_NAMES_MARK.format(ear="p.ear", text="r.text", animal="a.id")},
           {_CAPTURE}
    FROM photos AS p
    JOIN readings AS r ON r.photo = p.id
    JOIN animals AS a ON a.animal_id = r.first_animal
    WHERE p.animal IS NULL AND r.status = 'read' AND r.decision = 'identified' AND {NEWEST}
    ORDER BY r.id"""
DISPUTED: Final = """
    SELECT p.id FROM cases AS c
    JOIN photos AS p ON p.sha256 = json_extract(c.detail, '$.photo_sha256')
    WHERE c.state = 'open'"""
"""Row numbers of photos that an open case is about."""
_PEOPLE: Final = f"""
    WITH h AS (
        SELECT h.id, ifnull(h.animal, p.animal) AS animal,
               ifnull(nullif(p.taken_at, ''), h.read_at) AS at,
               ifnull(nullif(h.ear, ''), ifnull(p.ear, '')) AS ear, h.text, h.usable, h.grade,
               ifnull(h.photo, 0) AS photo
        FROM human_readings_now AS h LEFT JOIN photos AS p ON p.id = h.photo
        WHERE h.usable IS NOT NULL
    )
    SELECT h.animal, {_DAY.format("h.at", 19)}, {_EAR.format("h.ear")},
           CASE h.usable WHEN 1 THEN {USABLE} ELSE {NOT_USABLE} END, h.grade, NULL, 0,
           {_NAMES_MARK.format(ear="h.ear", text="h.text", animal="h.animal")},
           h.photo, 0, 0, 0, 0
    FROM h WHERE h.animal IS NOT NULL AND """


def _looks(db: HerdDatabase, some: str) -> LookColumns:
    rows: list[tuple[Any, ...]] = []
    for sql, owner, key in ((_PHOTOS, "p.animal", "r.id"), (_PEOPLE, "h.animal", "h.id")):
        where, values = _only(owner, some)
        rows += db.rows(f"{sql}{where} ORDER BY {key}", values)
    return _in_order(_columns(LookColumns, rows))


def _in_order(found: LookColumns) -> LookColumns:
    # Without a time it counts as the oldest; photos come before people of the same time.
    times = np.nan_to_num(found.time, nan=-np.inf)
    order = np.lexsort((found.kind >= USABLE, times, found.animal))
    return LookColumns(*(getattr(found, item.name)[order] for item in fields(found)))
