"""What the program read from photos: searchable figures, and the whole result."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from typing import Any

from legibility.containers import (
    Candidate,
    Confusable,
    Decision,
    Flag,
    Grade,
    Identification,
    PhotoResult,
    Provenance,
    Reading,
    Status,
)
from legibility.errors import StoreError
from legibility.store.database import HerdDatabase, Value
from legibility.store.packing import packed, unpacked
from legibility.store.posterior import decode, encode
from legibility.store.records import ReadingSummary

_COLUMNS = (
    "photo, method, read_at, status, text, decision, misread_risk, flags, grade, first_animal, "
    "first_probability, second_animal, second_probability, places, needles_expected, "
    "needles_inked, ink_contrast, seen_share, seconds"
)
_INSERT = f"INSERT INTO readings ({_COLUMNS}) VALUES ({', '.join('?' * 19)}) ON CONFLICT DO NOTHING"
_SUMMARY = """
    SELECT r.id, p.sha256, ifnull(a.animal_id, ''), p.claimed_by, p.ear, p.taken_at, r.read_at,
           r.status, r.text, r.decision, r.misread_risk, r.flags, r.grade, r.first_animal,
           r.first_probability, r.second_animal, r.second_probability, r.places,
           r.needles_expected, r.needles_inked, r.ink_contrast, r.seen_share
    FROM readings AS r JOIN photos AS p ON p.id = r.photo
    LEFT JOIN animals AS a ON a.id = p.animal"""
"""Fields of a :class:`ReadingSummary`."""


def add_readings(
    db: HerdDatabase,
    results: Iterable[PhotoResult],
    *,
    read_at: str,
    registry_sha256: str = "",
) -> int:
    """Store results of photos that are in the record; gives how many are new.

    The same photo read by the same version, models, settings and registry is one reading.

    Raises
    ------
    StoreError
        If a photo is not in the record.
    """
    count = 0
    methods: dict[Provenance, int] = {}
    for result in results:
        photo, made = photo_key(db, result.sha256), result.provenance
        if made not in methods:
            methods[made] = method_key(db, made, registry_sha256=registry_sha256)
        if db.write(_INSERT, _values(result, photo=photo, method=methods[made], read_at=read_at)):
            db.write(
                "INSERT INTO reading_contents (reading, content) VALUES (last_insert_rowid(), ?)",
                (packed(_detail(result), encode(result.reading)),),
            )
            count += 1
    return count


def method_key(db: HerdDatabase, made: Provenance, *, registry_sha256: str) -> int:
    """Row number of a way to read photos; it is added when it is new."""
    values = {**asdict(made), "registry_sha256": registry_sha256}
    db.insert("methods", values)
    found = db.first(
        f"SELECT id FROM methods WHERE {' AND '.join(f'{name} = ?' for name in values)}",
        tuple(values.values()),
    )
    return int(found[0]) if found else 0


def photo_key(db: HerdDatabase, sha256: str) -> int:
    """Row number of a photo.

    Raises
    ------
    StoreError
        If it is not in the record.
    """
    row = db.first("SELECT id FROM photos WHERE sha256 = ?", (sha256,))
    if row is None:
        raise StoreError(f"photo {sha256[:12]}... is not in this record; import it first")
    return int(row[0])


def latest_summaries(db: HerdDatabase, *, animal_id: str = "") -> Iterator[ReadingSummary]:
    """The newest reading of each photo, by animal and time; photos of unknown animals first."""
    where = "AND a.animal_id = ?" if animal_id else ""
    sql = f"""{_SUMMARY} WHERE NOT EXISTS (
                SELECT 1 FROM readings AS n WHERE n.photo = r.photo AND n.id > r.id) {where}
              ORDER BY p.animal, p.taken_at, r.id"""
    for row in db.rows(sql, (animal_id,) if animal_id else ()):
        yield ReadingSummary(*row)


def readings_of(db: HerdDatabase, sha256: str) -> tuple[ReadingSummary, ...]:
    """All readings of one photo, oldest first."""
    rows = db.rows(f"{_SUMMARY} WHERE p.sha256 = ? ORDER BY r.id", (sha256,))
    return tuple(ReadingSummary(*row) for row in rows)


def read_already(
    db: HerdDatabase, *, provenance: Provenance, registry_sha256: str
) -> frozenset[str]:
    """Digests of the photos that hold a reading made in exactly this way."""
    rows = db.rows(
        """SELECT p.sha256 FROM readings AS r JOIN photos AS p ON p.id = r.photo
           JOIN methods AS m ON m.id = r.method
           WHERE m.version = ? AND m.model_sha256 = ? AND m.settings_sha256 = ?
           AND m.calibration_sha256 = ? AND m.registry_sha256 = ?""",
        (
            provenance.version,
            provenance.model_sha256,
            provenance.settings_sha256,
            provenance.calibration_sha256,
            registry_sha256,
        ),
    )
    return frozenset(str(row[0]) for row in rows)


def newest_reading(db: HerdDatabase, sha256: str, *, made: Provenance | None = None) -> int | None:
    """Number of a photo's newest reading, or None.

    Parameters
    ----------
    made : Provenance, optional
        Only of those by this version with these models and settings, against any registry.
    """
    sql = """SELECT max(r.id) FROM readings AS r JOIN photos AS p ON p.id = r.photo
             JOIN methods AS m ON m.id = r.method WHERE p.sha256 = ?"""
    values: list[Value] = [sha256]
    if made is not None:
        sql += " AND m.version = ? AND m.model_sha256 = ? AND m.settings_sha256 = ?"
        values += [made.version, made.model_sha256, made.settings_sha256]
    row = db.first(sql, values)
    return None if row is None or row[0] is None else int(row[0])


def whole_reading(db: HerdDatabase, reading_id: int) -> PhotoResult:
    """The result as it was stored, bit for bit.

    Raises
    ------
    StoreError
        If there is no such reading, or it is damaged.
    """
    row = db.first(
        """SELECT p.sha256, r.status, r.text, r.decision, r.misread_risk, r.flags, m.version,
                  m.model_sha256, m.settings_sha256, m.calibration_sha256, r.seconds, c.content
           FROM readings AS r JOIN photos AS p ON p.id = r.photo
           JOIN methods AS m ON m.id = r.method
           JOIN reading_contents AS c ON c.reading = r.id WHERE r.id = ?""",
        (reading_id,),
    )
    if row is None:
        raise StoreError(f"there is no reading {reading_id} in this record")
    sha256, status, text, decision, risk, flags, *made, seconds, content = row
    text_of_detail, posterior = unpacked(content)
    detail: dict[str, Any] = json.loads(text_of_detail)
    grade = detail["grade"]
    return PhotoResult(
        photo=detail["photo"],
        sha256=sha256,
        status=Status(status),
        flags=Flag(flags),
        reasons=tuple(detail["reasons"]),
        text=text,
        reading=decode(
            posterior,
            second_opinion=tuple(detail["second_opinion"]),
            flags=detail["reading_flags"],
        ),
        identification=Identification(
            candidates=tuple(Candidate(a, m, float(p)) for a, m, p in detail["candidates"]),
            candidate_set=tuple(detail["candidate_set"]),
            decision=Decision(decision),
            misread_risk=math.nan if risk is None else risk,
            confusables=tuple(
                Confusable(r, c, ch, float(p), alt, float(q), tuple(ids))
                for r, c, ch, p, alt, q, ids in detail["confusables"]
            ),
            reason=detail["reason"],
            set_basis=detail["set_basis"],
            layouts=detail.get("layouts", ""),
        ),
        grade=None
        if grade is None
        else Grade(
            float(grade["overall"]),
            {name: float(value) for name, value in grade["parameters"].items()},
            grade["reason"],
        ),
        provenance=Provenance(*made),
        seconds=math.nan if seconds is None else seconds,
        measures={name: float(value) for name, value in detail["measures"].items()},
    )


def _values(result: PhotoResult, *, photo: int, method: int, read_at: str) -> tuple[Value, ...]:
    """The columns of one reading."""
    candidates = result.identification.candidates
    first = candidates[0] if candidates else None
    second = candidates[1] if len(candidates) > 1 else None
    return (
        photo,
        method,
        read_at,
        result.status.value,
        result.text,
        result.identification.decision.value,
        result.identification.misread_risk,
        int(result.flags),
        None if result.grade is None else result.grade.overall,
        (first.animal_id or "") if first else "",
        first.probability if first else None,
        (second.animal_id or "") if second else "",
        second.probability if second else None,
        *_condition(result.reading),
        result.seconds,
    )


def _condition(
    reading: Reading,
) -> tuple[int, float | None, float | None, float | None, float | None]:
    """Places of the best hypothesis, needles expected and inked, mean contrast and seen share."""
    best = reading.hypotheses[0] if reading.hypotheses else None
    cells = [cell for row in best.rows for cell in row] if best else []
    if not cells:
        return 0, None, None, None, None
    return (
        len(cells),
        float(sum(cell.needles.expected for cell in cells)),
        float(sum(cell.needles.inked for cell in cells)),
        sum(cell.ink_contrast for cell in cells) / len(cells),
        sum(cell.seen_share for cell in cells) / len(cells),
    )


def _detail(result: PhotoResult) -> str:
    identification, grade = result.identification, result.grade
    return json.dumps(
        {
            "photo": result.photo,
            "reasons": list(result.reasons),
            "second_opinion": list(result.reading.second_opinion),
            "reading_flags": int(result.reading.flags),
            "candidates": [
                [c.animal_id, c.mark, _figure(c.probability)] for c in identification.candidates
            ],
            "candidate_set": list(identification.candidate_set),
            "confusables": [
                [
                    c.row,
                    c.cell,
                    c.character,
                    _figure(c.probability),
                    c.alternative,
                    _figure(c.alternative_probability),
                    list(c.animal_ids),
                ]
                for c in identification.confusables
            ],
            "reason": identification.reason,
            "set_basis": identification.set_basis,
            "layouts": identification.layouts,
            "grade": None
            if grade is None
            else {
                "overall": _figure(grade.overall),
                "parameters": {k: _figure(v) for k, v in grade.parameters.items()},
                "reason": grade.reason,
            },
            "measures": {name: _figure(value) for name, value in result.measures.items()},
        },
        ensure_ascii=True,
        allow_nan=False,
    )


def _figure(value: float) -> float | str:
    """A float that strict JSON can hold: not a number and infinities as words."""
    return float(value) if math.isfinite(value) else str(float(value))
