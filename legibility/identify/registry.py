"""Reads a registry from a file: all of it, or an error that names every bad row."""

from __future__ import annotations

import csv
import hashlib
import io
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from legibility.errors import RegistryError
from legibility.identify.animals import TEXT_FIELDS, Registry, assemble, registry_of
from legibility.identify.plain_rows import plain_batches, plain_header
from legibility.identify.registry_rows import (
    ROWS_AT_A_TIME,
    Chunk,
    checked_rows,
    without_lines,
)
from legibility.identify.row_problems import PROBLEMS_NAMED, Problems, RowProblem, unused_columns
from legibility.identify.spelling import spelling_twins
from legibility.identify.textcolumn import TextColumn, joined
from legibility.identify.understood_rows import OwnRows, addresses
from legibility.marks.rules import Rules, of_marks
from legibility.tables.choice import ROLES, USABLE, choice_text
from legibility.tables.findings import NONE
from legibility.tables.reader import ascii_safe, read_bytes, read_table
from legibility.tables.sheet import Table
from legibility.tables.text_file import LONGEST_HEADER
from legibility.tables.understanding import Understood, refuse_unsettled, understand

__all__ = ["Registry", "RegistryCheck", "check_registry", "load_registry", "registry_of"]

REMEDY: Final = "; mend them, or go on without them: --columns rows=usable"
_NEEDED: Final = ("", "animal_id")
"""Columns without which a row is no animal; a row without any mark is none either."""


@dataclass(frozen=True, slots=True)
class RegistryCheck:
    """What a check of a registry file found."""

    rows: int
    """Rows looked at, bad ones included."""
    problems: tuple[RowProblem, ...]
    """All of them, by line."""
    notices: tuple[str, ...]
    """What is allowed but worth knowing; only for a file without problems."""


@dataclass(frozen=True, slots=True)
class ReadRegistry:
    """A registry file with all that its reader found."""

    registry: Registry
    """Of the rows and cells that can be used."""
    problems: tuple[RowProblem, ...]
    """Rows and cells left out."""
    rows: int
    """Of the file."""
    sha256: str
    """Of the file's bytes."""
    extra: Mapping[int, Mapping[str, str]]
    """Line -> cells that only the record keeps, by column; days as YYYY-MM-DD."""
    place: Callable[[int, str], str]
    """Where the cell of a line's column is, in words; empty where the line says enough."""


@dataclass(frozen=True, slots=True)
class _Scan:
    name: str
    chunks: list[Chunk]
    problems: Problems
    unused: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()
    sha256: str = ""
    extra: Mapping[int, Mapping[str, str]] = field(default_factory=dict)


def load_registry(
    path: Path, *, rules: Rules | None = None, columns: Mapping[str, str] | None = None
) -> Registry:
    """Registry from a text file of any separator, or from a workbook.

    Parameters
    ----------
    path : Path
        CSV with commas, semicolons, tabs or vertical bars in UTF-8, UTF-16 or Windows-1252, or
        XLSX. Which column holds the animal, the mark (one, or one for each ear), the ear, birth,
        sex, chip and status is told by headings and cells, see :mod:`legibility.tables`. Two-row
        marks may be written ``AB/123``.
    rules : Rules, optional
        Marks that break them are errors too. Their ``columns`` are used when ``columns`` is not
        given.
    columns : mapping, optional
        What a person said of the columns, see :mod:`legibility.tables.choice`.

    Raises
    ------
    RegistryError
        If the file cannot be read, it is not safe to say which column holds what, or any row cannot
        be used: the first ``PROBLEMS_NAMED`` are named with line and column, and nothing is
        imported in part, unless ``columns`` says ``rows=usable``: then they are notices.
    """
    rules, columns = _said(rules, columns)
    if columns.get("rows") == USABLE:
        found = read_registry(path, rules=rules, columns=columns)
        left = found.problems[:PROBLEMS_NAMED]
        more = len(found.problems) - len(left)
        notices = [f"left out, {problem}" for problem in left]
        notices += [f"left out, and {more} more cells or rows"] if more else []
        return replace(found.registry, notices=(*notices, *found.registry.notices))
    scan = _scan(path, rules, columns, limit=PROBLEMS_NAMED)
    if scan.problems.count:
        raise RegistryError(scan.problems.message(scan.name, remedy=REMEDY))
    if not scan.chunks:
        raise RegistryError(_no_rows(scan.name))
    return _assembled(scan, rules)


def check_registry(
    path: Path, *, rules: Rules | None = None, columns: Mapping[str, str] | None = None
) -> RegistryCheck:
    """Everything that is wrong with the rows of a registry file; nothing is kept of it.

    Parameters
    ----------
    path, rules, columns
        As :func:`load_registry`.

    Raises
    ------
    RegistryError
        If the file cannot be read at all, its columns are not clear, or it has no rows.
    """
    rules, columns = _said(rules, columns)
    scan = _scan(path, rules, columns, limit=sys.maxsize)
    problems = tuple(sorted(scan.problems.named))
    rows = _rows(scan)
    if not rows:
        raise RegistryError(_no_rows(scan.name))
    return RegistryCheck(rows, problems, () if problems else _assembled(scan, rules).notices)


def read_registry(
    path: Path, *, rules: Rules | None = None, columns: Mapping[str, str] | None = None
) -> ReadRegistry:
    """What can be used of a registry file, with the cells that only the herd's record keeps.

    A bad cell is left out, and the whole row where it is the animal, its only mark, or the row as
    such; all of it is in ``problems``.

    Parameters
    ----------
    path, rules, columns
        As :func:`load_registry`.

    Raises
    ------
    RegistryError
        If the file cannot be read, its columns are not clear, or no row can be used.
    """
    rules, columns = _said(rules, columns)
    scan = _scan(path, rules, columns, limit=sys.maxsize, keep_extra=True)
    rows = _rows(scan)
    if scan.problems.count:
        bad = {problem.line for problem in scan.problems.named if problem.field in _NEEDED}
        scan = replace(scan, chunks=[without_lines(chunk, bad) for chunk in scan.chunks])
    if not any(chunk.lines.size for chunk in scan.chunks):
        bad_ones = scan.problems.count
        raise RegistryError(scan.problems.message(scan.name) if bad_ones else _no_rows(scan.name))
    problems = tuple(sorted(scan.problems.named))
    registry = _assembled(scan, rules)
    return ReadRegistry(registry, problems, rows, scan.sha256, scan.extra, scan.problems.place)


def understood(path: Path, *, columns: Mapping[str, str] | None = None) -> tuple[Table, Understood]:
    """A registry file as a table, and which column holds what; open questions included.

    Raises
    ------
    RegistryError
        If the file cannot be read, or a column that was named is not there.
    """
    name = ascii_safe(path)
    table = read_table(read_bytes(path, name), name)
    return table, understand(table, columns)


def _rows(scan: _Scan) -> int:
    """Rows of a file of which every problem was named, those of no use included."""
    broken = {problem.line for problem in scan.problems.named if not problem.field}
    return sum(chunk.lines.size for chunk in scan.chunks) + len(broken)


def _no_rows(name: str) -> str:
    return f"{name}: has no rows below the header; expected one line an animal"


def _said(
    rules: Rules | None, columns: Mapping[str, str] | None
) -> tuple[Rules | None, Mapping[str, str]]:
    """Rules that say something of marks, and what was said of the columns."""
    return of_marks(rules), columns or (dict(rules.columns) if rules is not None else {})


def _scan(
    path: Path,
    rules: Rules | None,
    columns: Mapping[str, str],
    *,
    limit: int,
    keep_extra: bool = False,
) -> _Scan:
    """Every row of a file, checked: the plain form quickly, all others as understood."""
    name = ascii_safe(path)
    data = read_bytes(path, name)
    if not columns and not keep_extra:
        plain = plain_header(data)
        if plain is not None:
            scan = _plain_scan(data, name, *plain, rules)
            if not scan.problems.count:
                return scan
    table = read_table(data, name)
    found = understand(table, columns)
    refuse_unsettled(found, name)
    problems = Problems(limit, place=addresses(found))
    extra: dict[int, dict[str, str]] | None = {} if keep_extra else None
    own = OwnRows(found, problems, extra=extra)
    chunks = checked_rows(own.batches(ROWS_AT_A_TIME), own.header, rules, problems)
    unused = tuple(
        heading + (f" ({why})" if why.startswith("may be") else "") for heading, why in found.unused
    )
    notices = (_taken(table, found), *found.notices, *own.notices)
    return _Scan(name, chunks, problems, unused, notices, table.sha256, extra or {})


def _taken(table: Table, found: Understood) -> str:
    """Notice of what was taken for what; empty when the columns have this program's names."""
    said = {k: v for k, v in found.in_words().items() if k != v and v != NONE}
    named = [column for column in found.columns if column.heading != column.role]
    return f"columns read as {choice_text(said)} ({table.form})" if named else ""


def _plain_scan(
    data: bytes, name: str, delimiter: str, header: list[str], rules: Rules | None
) -> _Scan:
    """Rows of a file in UTF-8 whose columns have this program's names."""
    stream = io.TextIOWrapper(io.BytesIO(data), encoding="utf-8-sig", newline="")
    stream.readline(LONGEST_HEADER)
    reader = csv.reader(stream, delimiter=delimiter, strict=True)
    problems = Problems(PROBLEMS_NAMED)
    batches = plain_batches(reader, len(header), quoted=b'"' in data, problems=problems)
    chunks = checked_rows(batches, header, rules, problems)
    unused = tuple(column for column in header if column and column not in ROLES)
    return _Scan(name, chunks, problems, unused, (), hashlib.sha256(data).hexdigest())


def _assembled(scan: _Scan, rules: Rules | None) -> Registry:
    chunks = scan.chunks
    registry = assemble(
        name=scan.name,
        marks=np.concatenate([chunk.marks for chunk in chunks]),
        columns={
            column: joined([chunk.columns[column] for chunk in chunks])
            for column in TEXT_FIELDS
            if column in chunks[0].columns
        },
        birth_years=np.concatenate([chunk.years for chunk in chunks]),
        lines=np.concatenate([chunk.lines for chunk in chunks]),
        notices=(
            *filter(None, scan.notices),
            *([unused_columns(scan.unused)] if scan.unused else []),
        ),
        rules=rules,
        rights=np.concatenate([chunk.rights for chunk in chunks]),
    )
    written = _written(chunks)
    return replace(
        registry, written=written, notices=registry.notices + spelling_twins(registry, written)
    )


def _written(chunks: list[Chunk]) -> TextColumn | None:
    """Marks as the file writes them, where they differ; None when none does."""
    parts = [chunk.columns["written"] for chunk in chunks]
    return joined(parts) if any(part.data for part in parts) else None
