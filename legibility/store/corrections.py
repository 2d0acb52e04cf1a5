"""Corrections: what was there before stays, and who changed it, when and why is in the chain.

A photo's animal, ear, stage and scan, and the state of a case, are changed in their row; readings
by eye and scans are left as they are and stop to count. Each change is a row of ``corrections``
that names the entry of the chain made with it, in the same transaction; both are only ever added.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from legibility.errors import StoreError
from legibility.store.animals import optional_animal_key
from legibility.store.database import HerdDatabase, Value
from legibility.store.events import append_event
from legibility.store.records import CorrectionRow

COLUMN: Final = {
    "photo": "photo",
    "reading": "human_reading",
    "scan": "scan",
    "case": "case_id",
}
"""Kinds of what is corrected, and the column that names it."""
PERSON: Final = "person"
"""Who gives a photo to an animal by a correction."""
ADVICE: Final = "advice"
"""A person who followed what the program had read."""
_SELECT: Final = """
    SELECT CASE WHEN c.photo IS NOT NULL THEN 'photo' WHEN c.scan IS NOT NULL THEN 'scan'
                WHEN c.case_id IS NOT NULL THEN 'case' ELSE 'reading' END,
           CASE WHEN c.photo IS NOT NULL THEN p.sha256
                ELSE CAST(coalesce(c.human_reading, c.scan, c.case_id) AS TEXT) END,
           c.field, c.before, c.after, c.before_by, c.after_by,
           coalesce(c.instead_reading, c.instead_scan, 0), ifnull(c.undoes, 0),
           c.id, c.entry, e.at, e.who, e.what,
           CASE WHEN json_valid(e.inputs) THEN ifnull(json_extract(e.inputs, '$.reason'), '')
                ELSE '' END
    FROM corrections AS c JOIN events AS e ON e.seq = c.entry
    LEFT JOIN photos AS p ON p.id = c.photo"""


def all_corrections(db: HerdDatabase, *, entry: int = 0) -> Iterator[CorrectionRow]:
    """All of them, or those of one entry, oldest first."""
    where = "WHERE c.entry = ?" if entry else ""
    for row in db.rows(f"{_SELECT} {where} ORDER BY c.id", (entry,) if entry else ()):
        yield CorrectionRow(*row)


def corrections_of(db: HerdDatabase, kind: str, about: str) -> tuple[CorrectionRow, ...]:
    """Corrections of one photo (by digest), reading by eye, scan or case (by number)."""
    where = "p.sha256 = ?" if kind == "photo" else f"c.{COLUMN[kind]} = ?"
    key: Value = about if kind == "photo" else int(about)
    return tuple(
        CorrectionRow(*row) for row in db.rows(f"{_SELECT} WHERE {where} ORDER BY c.id", (key,))
    )


def standing(rows: Sequence[CorrectionRow]) -> CorrectionRow | None:
    """The correction that holds now, of those of one field of one thing, oldest first.

    One that takes another back leaves what held before that one; None when nothing holds.
    """
    places = {row.number: place for place, row in enumerate(rows)}
    place = len(rows) - 1
    while place >= 0 and rows[place].undoes:
        place = places[rows[place].undoes] - 1
    return rows[place] if place >= 0 else None


def corrected_fields(db: HerdDatabase, sha256: str) -> frozenset[str]:
    """What of a photo a correction holds now, so that no import fills it in."""
    rows = corrections_of(db, "photo", sha256)
    fields = {row.field for row in rows}
    return frozenset(
        name for name in fields if standing([row for row in rows if row.field == name]) is not None
    )


def add_corrections(
    db: HerdDatabase,
    changes: Sequence[CorrectionRow],
    *,
    what: str,
    who: str,
    reason: str,
    said: Mapping[str, Any] | None = None,
) -> int:
    """Make changes and add their entry of the chain, in the transaction that is open.

    Parameters
    ----------
    what : str
        Of the entry.
    said : mapping, optional
        More for the entry, e.g. the reading that was followed.

    Returns
    -------
    int
        Number of the entry.

    Raises
    ------
    StoreError
        If an animal, photo, reading, scan or case is not in the record.
    """
    entry = append_event(
        db,
        what=what,
        who=who,
        inputs={"reason": reason, **(said or {})},
        outputs={"changes": [_sealed(change) for change in changes]},
    ).seq
    for change in changes:
        key = _key(db, change)
        _apply(db, change, key)
        instead = "instead_scan" if change.kind == "scan" else "instead_reading"
        new = db.insert(
            "corrections",
            {
                "entry": entry,
                COLUMN[change.kind]: key,
                "field": change.field,
                "before": change.before,
                "before_by": change.before_by,
                "after": change.after,
                "after_by": change.after_by,
                instead: change.instead or None,
                "undoes": change.undoes or None,
            },
        )
        if not new:
            raise StoreError(f"correction {change.undoes} was taken back already")
    return entry


def corrections_problems(db: HerdDatabase) -> tuple[str, ...]:
    """Where corrections are not what their entries say, or what they changed is something else."""
    made: dict[int, list[dict[str, Any]]] = {}
    newest: dict[tuple[str, str, str], CorrectionRow] = {}
    for row in all_corrections(db):
        made.setdefault(row.entry, []).append(_sealed(row))
        newest[row.kind, row.about, row.field] = row
    sealed = {
        int(seq): json.loads(outputs)["changes"]
        for seq, outputs in db.rows(
            "SELECT seq, outputs FROM events WHERE json_valid(outputs) "
            "AND json_type(outputs, '$.changes') = 'array'"
        )
    }
    found = [
        f"entry {entry} corrected something else than the record holds"
        for entry in sorted({*made, *sealed})
        if made.get(entry) != sealed.get(entry)
    ]
    for (kind, about, field), row in newest.items():
        # What is empty after a correction may be filled in later, by a transponder.
        if kind == "photo" and field in ("animal", "ear", "stage") and (row.after or row.after_by):
            now = photo_value(db, about, field)
            if now != (row.after, row.after_by):
                found.append(
                    f"photo {about}: its {field} is {now[0]!r}, but entry {row.entry} made it "
                    f"{row.after!r}"
                )
    return tuple(found)


def photo_value(db: HerdDatabase, sha256: str, field: str) -> tuple[str, str]:
    """What a photo's animal, ear, stage or scan is now, and who said so of the animal.

    Raises
    ------
    StoreError
        If the photo is not in the record.
    """
    row = db.first(
        """SELECT ifnull(a.animal_id, ''), p.claimed_by, p.ear, p.stage,
                  ifnull(CAST(p.scan AS TEXT), '')
           FROM photos AS p LEFT JOIN animals AS a ON a.id = p.animal WHERE p.sha256 = ?""",
        (sha256,),
    )
    if row is None:
        raise StoreError(f"photo {sha256[:12]}... is not in this record; import it first")
    animal, by, ear, stage, scan = row
    return (
        (animal, by) if field == "animal" else ({"ear": ear, "stage": stage}.get(field, scan), "")
    )


def _sealed(row: CorrectionRow) -> dict[str, Any]:
    """What an entry of the chain says of a correction."""
    said: dict[str, Any] = {row.kind: row.about, "field": row.field}
    for name in ("before", "after", "before_by", "after_by", "instead", "undoes"):
        value = getattr(row, name)
        if value or name in ("before", "after"):
            said[name] = value
    return said


def _key(db: HerdDatabase, change: CorrectionRow) -> int:
    table = {"photo": "photos", "reading": "human_readings", "scan": "scans", "case": "cases"}
    column = "sha256" if change.kind == "photo" else "id"
    about: Value = change.about if change.kind == "photo" else int(change.about)
    row = db.first(f"SELECT id FROM {table[change.kind]} WHERE {column} = ?", (about,))
    if row is None:
        raise StoreError(f"there is no {change.kind} {change.about[:12]} in this record")
    return int(row[0])


def _apply(db: HerdDatabase, change: CorrectionRow, key: int) -> None:
    """What a change does to the row that it is about; readings and scans stay as they are."""
    if change.kind == "case":
        db.update("cases", {"state": change.after}, key="id", value=key)
    if change.kind != "photo":
        return
    values: dict[str, Value] = {change.field: change.after}
    if change.field == "animal":
        animal = optional_animal_key(db, change.after)
        values = {"animal": animal, "claimed_by": change.after_by}
    elif change.field == "scan":
        values = {"scan": int(change.after) if change.after else None}
    db.update("photos", values, key="id", value=key)


def photos_with_scan(db: HerdDatabase, scan_id: int) -> Iterable[str]:
    """Digests of the photos that were taken together with a scan."""
    return [str(row[0]) for row in db.rows("SELECT sha256 FROM photos WHERE scan = ?", (scan_id,))]
