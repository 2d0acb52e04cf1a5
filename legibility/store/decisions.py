"""Contradictions that wait for a person, and what persons decided."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Final

from legibility.errors import StoreError
from legibility.store.animals import optional_animal_key
from legibility.store.database import HerdDatabase, now_utc
from legibility.store.readings import photo_key
from legibility.store.records import CaseRow, DecisionRow

_COLUMNS: Final = "case_key, kind, summary, detail, opened_at, state, id"


def all_cases(db: HerdDatabase, *, open_only: bool = False) -> Iterator[CaseRow]:
    """Cases in the order they were opened."""
    where = "WHERE state = 'open'" if open_only else ""
    sql = f"SELECT {_COLUMNS} FROM cases {where} ORDER BY id"
    for row in db.rows(sql):
        yield _case(row)


def find_case(db: HerdDatabase, number: int) -> CaseRow:
    """One case by its number.

    Raises
    ------
    StoreError
        If there is none.
    """
    return _found(db, "id", number)


def case_of_key(db: HerdDatabase, key: str) -> CaseRow:
    """One case by what it is about.

    Raises
    ------
    StoreError
        If there is none.
    """
    return _found(db, "case_key", key)


def _found(db: HerdDatabase, column: str, value: int | str) -> CaseRow:
    row = db.first(f"SELECT {_COLUMNS} FROM cases WHERE {column} = ?", (value,))
    if row is None:
        raise StoreError(f"there is no case {value!r}; `legibility herd check` lists them")
    return _case(row)


def _case(row: tuple[Any, ...]) -> CaseRow:
    key, kind, summary, detail, opened_at, state, number = row
    return CaseRow(key, kind, summary, json.loads(detail), opened_at, state, number)


def open_case(db: HerdDatabase, case: CaseRow) -> bool:
    """Open a case; False when one with this key is there already, open or closed."""
    return db.insert(
        "cases",
        {
            "case_key": case.case_key,
            "kind": case.kind,
            "opened_at": case.opened_at or now_utc(),
            "summary": case.summary,
            "detail": json.dumps(dict(case.detail), sort_keys=True, allow_nan=False),
        },
    )


def all_decisions(db: HerdDatabase) -> Iterator[DecisionRow]:
    """Decisions by time."""
    sql = """SELECT d.decided_at, d.who, d.what, d.reason, ifnull(c.case_key, ''),
                    ifnull(p.sha256, ''), ifnull(a.animal_id, '')
             FROM decisions AS d LEFT JOIN cases AS c ON c.id = d.case_id
             LEFT JOIN photos AS p ON p.id = d.photo LEFT JOIN animals AS a ON a.id = d.animal
             ORDER BY d.decided_at, d.id"""
    for row in db.rows(sql):
        yield DecisionRow(*row)


def add_decision(db: HerdDatabase, decision: DecisionRow) -> bool:
    """Record a decision; one about a case closes it. False when it is there already.

    Raises
    ------
    StoreError
        If the case, the animal or the photo is not in the record.
    """
    case_id: int | None = None
    if decision.case_key:
        case_id = case_of_key(db, decision.case_key).number
        db.write("UPDATE cases SET state = 'closed' WHERE id = ?", (case_id,))
    return db.insert(
        "decisions",
        {
            "case_id": case_id,
            "photo": photo_key(db, decision.photo_sha256) if decision.photo_sha256 else None,
            "animal": optional_animal_key(db, decision.animal_id),
            "decided_at": decision.decided_at,
            "who": decision.who,
            "what": decision.what,
            "reason": decision.reason,
        },
    )
