"""The whole record as CSV files or JSON lines, and back, without loss.

Readings are written as people look for them: how each was made beside it, and its detail and
posterior unpacked (``readings``, ``reading_details``), whatever the file holds them as.

An empty CSV cell is the empty text in a text column and "not recorded" in a column of figures; no
table has both. Figures are written so that reading them gives the same binary number.
"""

from __future__ import annotations

import base64
import csv
import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from legibility.containers import Provenance
from legibility.errors import StoreError
from legibility.store.cells import guarded, unguarded
from legibility.store.corrections import corrections_problems
from legibility.store.database import HerdDatabase, Value, create_herd
from legibility.store.fileproblems import printable_path
from legibility.store.marks import current_marks
from legibility.store.packing import packed, unpacked
from legibility.store.posterior import as_plain, from_plain
from legibility.store.readings import method_key

TABLES: Final = (
    "herd_info",
    "animals",
    "marks",
    "chips",
    "handling_events",
    "scans",
    "photos",
    "readings",
    "reading_details",
    "human_readings",
    "cases",
    "decisions",
    "imports",
    "events",
    "corrections",
)
"""What is written, each after those it names; ``touched`` is made anew from the rest."""
SINCE: Final = frozenset({"corrections"})
"""Tables that older exports do not have; that one is lost from a newer one shows in the chain."""
ADDED: Final[Mapping[str, Mapping[str, Value]]] = {"marks": {"written": ""}}
"""Columns that older exports do not have, and what they then hold."""
METHOD: Final = (
    "version", "model_sha256", "settings_sha256", "calibration_sha256", "registry_sha256",
)  # fmt: skip
"""Columns that say how a reading was made."""
JSON_NAME: Final = "herd.jsonl"
REGISTRY_NAME: Final = "registry.csv"
LONGEST_CELL: Final = 16 * 2**20
"""Choice: characters in one cell that are read back."""
_HEADING: Final = {"format": "herd record", "format_version": 1}


def export_herd(db: HerdDatabase, folder: Path, *, as_json: bool = False) -> tuple[Path, ...]:
    """Write everything into a new folder: a CSV file a table, or one file of JSON lines.

    ``registry.csv`` beside them is for ``legibility read --registry``; it is not read back.

    Raises
    ------
    StoreError
        If the folder exists or cannot be written; nothing is left half-written.
    """
    name = printable_path(folder)
    if os.path.lexists(folder):
        raise StoreError(f"{name}: is there already; give a folder that is not")
    try:
        made = Path(tempfile.mkdtemp(dir=folder.absolute().parent, prefix=".tmp-export-"))
    except OSError as error:
        raise StoreError(f"{name}: cannot be made: {error.strerror or error}") from error
    try:
        with db.snapshot():
            if as_json:
                _write_json(db, made / JSON_NAME)
            else:
                for table in TABLES:
                    _write_csv(db, table, made / f"{table}.csv")
            _write_registry(db, made / REGISTRY_NAME)
        os.chmod(made, 0o755)
        os.rename(made, folder)
    except OSError as error:
        raise StoreError(f"{name}: cannot be written: {error.strerror or error}") from error
    finally:
        shutil.rmtree(made, ignore_errors=True)
    return tuple(sorted(folder.iterdir()))


def restore_herd(db: HerdDatabase, folder: Path) -> dict[str, int]:
    """Fill a record that was just made from an exported folder; rows of each table.

    Raises
    ------
    StoreError
        If the record holds animals already, or a file is missing or is no such export; then
        nothing is taken over.
    """
    if db.count("animals") or db.count("events"):
        raise StoreError(f"{printable_path(db.path)}: holds a herd already; restore into a new one")
    json_path = folder / JSON_NAME
    counts = dict.fromkeys(TABLES, 0)
    with db.transaction():
        db.write("DELETE FROM herd_info")
        rows = _json_rows(json_path) if json_path.exists() else _csv_rows(db, folder)
        columns = {table: set(columns_of(db, table)) for table in TABLES}
        for where, table, row in rows:
            row = {**ADDED.get(table, {}), **row}
            if set(row) != columns[table]:
                raise StoreError(f"{where}: has other fields than the table {table}")
            _put(db, table, row)
            counts[table] += 1
        problems = db.problems() or corrections_problems(db)
        if problems or not counts["herd_info"]:
            reason = problems[0] if problems else "the table herd_info is empty"
            raise StoreError(f"{printable_path(folder)}: is no whole export: {reason}")
    return counts


def restored_herd(path: Path, folder: Path) -> dict[str, int]:
    """Make a record from an exported folder; rows of each table.

    Raises
    ------
    StoreError
        As for :func:`restore_herd`, or if there is such a file already; then none is made.
    """
    counts: dict[str, int] = {}
    create_herd(path, fill=lambda db: counts.update(restore_herd(db, folder))).close()
    return counts


def columns_of(db: HerdDatabase, table: str) -> dict[str, str]:
    """Columns of a table as it is written, and their types."""
    if table == "reading_details":
        return {"reading": "INTEGER", "detail": "TEXT", "posterior": "BLOB"}
    found = {str(row[1]): str(row[2]) for row in db.rows(f'PRAGMA table_info("{table}")')}
    if table == "readings":
        del found["method"]
        found |= dict.fromkeys(METHOD, "TEXT")
    return found


def _put(db: HerdDatabase, table: str, row: Mapping[str, Value]) -> None:
    if table == "reading_details":
        block = packed(str(row["detail"]), _bytes(row["posterior"]))
        db.write("INSERT INTO reading_contents VALUES (?, ?)", (row["reading"], block))
        return
    values = dict(row)
    if table == "readings":
        *made, registry = (str(values.pop(name)) for name in METHOD)
        values["method"] = method_key(db, Provenance(*made), registry_sha256=registry)
    marks = ", ".join("?" * len(values))
    db.write(f'INSERT INTO "{table}" ({", ".join(values)}) VALUES ({marks})', [*values.values()])


def _bytes(value: Value) -> bytes:
    if not isinstance(value, bytes):
        raise StoreError("a posterior of an export is no posterior")
    return value


def _rows(db: HerdDatabase, table: str) -> tuple[tuple[str, ...], Iterator[tuple[Any, ...]]]:
    columns = tuple(columns_of(db, table))
    if table == "reading_details":
        blocks = db.rows("SELECT reading, content FROM reading_contents ORDER BY 1")
        return columns, ((key, *unpacked(block)) for key, block in blocks)
    source = "readings JOIN methods ON methods.id = method" if table == "readings" else f'"{table}"'
    names = ("readings.id" if c == "id" and table == "readings" else c for c in columns)
    return columns, db.rows(f"SELECT {', '.join(names)} FROM {source} ORDER BY 1")


def _write_csv(db: HerdDatabase, table: str, path: Path) -> None:
    columns, rows = _rows(db, table)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(columns)
        for row in rows:
            writer.writerow([_cell(value) for value in row])


def _cell(value: Value) -> str:
    if isinstance(value, str):
        return guarded(value)
    if isinstance(value, bytes):
        return base64.b64encode(value).decode("ascii")
    return "" if value is None else repr(value)


def _csv_rows(db: HerdDatabase, folder: Path) -> Iterator[tuple[str, str, dict[str, Value]]]:
    for table in TABLES:
        path = folder / f"{table}.csv"
        if table in SINCE and not path.exists():
            continue
        name = printable_path(path)
        types = columns_of(db, table)
        before = csv.field_size_limit(LONGEST_CELL)
        try:
            with path.open(encoding="utf-8", newline="") as file:
                reader = csv.reader(file, strict=True)
                header = next(reader, [])
                missing, added = set(types) - set(header), set(ADDED.get(table, {}))
                foreign = set(header) - set(types)
                if missing - added or foreign or len(header) != len(set(header)):
                    raise StoreError(f"{name}: line 1: expected the columns {', '.join(types)}")
                for cells in reader:
                    where = f"{name}: line {reader.line_num}"
                    if len(cells) != len(header):
                        raise StoreError(f"{where}: has {len(cells)} fields, not {len(header)}")
                    row = {
                        column: _value(cell, types[column], f"{where}: {column}")
                        for column, cell in zip(header, cells, strict=True)
                    }
                    yield where, table, row
        except (OSError, UnicodeDecodeError, csv.Error) as error:
            raise StoreError(f"{name}: cannot be read: {error}") from error
        finally:
            csv.field_size_limit(before)


def _value(cell: str, kind: str, where: str) -> Value:
    try:
        if kind == "TEXT":
            return unguarded(cell)
        if kind == "BLOB":
            return base64.b64decode(cell, validate=True)
        if not cell:
            return None
        return int(cell) if kind == "INTEGER" else float(cell)
    except ValueError as error:
        raise StoreError(f"{where}: found {cell[:40]!r} ({error})") from error


def _write_json(db: HerdDatabase, path: Path) -> None:
    with path.open("w", encoding="ascii", newline="\n") as file:
        file.write(json.dumps({**_HEADING, "schema": db.version}) + "\n")
        for table in TABLES:
            columns, rows = _rows(db, table)
            for row in rows:
                record = dict(zip(columns, row, strict=True))
                if table == "reading_details":
                    record["posterior"] = as_plain(record["posterior"])
                line = json.dumps({"table": table, "row": record}, allow_nan=False)
                file.write(line + "\n")


def _json_rows(path: Path) -> Iterator[tuple[str, str, Mapping[str, Value]]]:
    name = printable_path(path)
    try:
        with path.open(encoding="ascii") as file:
            heading = json.loads(file.readline())
            if not isinstance(heading, dict) or heading.get("format") != _HEADING["format"]:
                raise StoreError(f"{name}: line 1: is no export of a herd's record")
            for number, line in enumerate(file, start=2):
                found = json.loads(line)
                row = dict(found["row"])
                if found["table"] == "reading_details":
                    row["posterior"] = from_plain(row["posterior"])
                if found["table"] not in TABLES:
                    raise StoreError(f"{name}: line {number}: unknown table {found['table']!r}")
                yield f"{name}: line {number}", found["table"], row
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(f"{name}: cannot be read: {error}") from error


def _write_registry(db: HerdDatabase, path: Path) -> None:
    animals = {
        str(row[0]): row[1:]
        for row in db.rows(
            "SELECT a.animal_id, a.birth_date, a.birth_year, a.sex, a.status, ifnull((SELECT "
            "c.number FROM chips AS c WHERE c.animal = a.id ORDER BY c.id DESC LIMIT 1), '') "
            "FROM animals AS a ORDER BY a.id"
        )
    }
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(
            ("animal_id", "mark", "ear", "birth_date", "birth_year", "sex", "chip", "status")
        )
        for mark in current_marks(db):
            birth_date, birth_year, sex, status, chip = animals[mark.animal_id]
            cells = (mark.animal_id, mark.text, mark.ear, birth_date, birth_year or "", sex, chip)
            writer.writerow([guarded(str(cell)) for cell in (*cells, status)])
