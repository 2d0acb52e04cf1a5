"""Reads a registry from a file: all of it, or an error that names every bad row."""

from __future__ import annotations

import csv
import hashlib
import io
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.errors import RegistryError
from legibility.identify.animals import TEXT_FIELDS, Registry, assemble, registry_of
from legibility.identify.row_problems import PROBLEMS_NAMED, Problems, RowProblem, unused_columns
from legibility.identify.rowcheck import (
    CONTROL,
    LONGEST_FIELD,
    check_birth,
    check_ear,
    check_mark,
    check_text,
    no_mark_words,
)
from legibility.identify.spelling import spelling_twins
from legibility.identify.textcolumn import TextColumn, joined, text_column
from legibility.identify.understood_rows import OwnRows, addresses
from legibility.marks.rules import Rules, allowed_pattern, of_marks
from legibility.tables.choice import ROLES, choice_text
from legibility.tables.contents import MARK
from legibility.tables.findings import NONE
from legibility.tables.reader import ascii_safe, read_bytes, read_table
from legibility.tables.sheet import Table
from legibility.tables.text_file import LONGEST_HEADER
from legibility.tables.understanding import Understood, refuse_unsettled, understand

ROWS_AT_A_TIME: Final = 300
"""Measured: of 200 to 50,000 the size that needs least time and memory, within a tenth."""

__all__ = ["Registry", "RegistryCheck", "check_registry", "load_registry", "registry_of"]

EAR_MARKS: Final = ("left_mark", "right_mark")
_DELIMITERS: Final = (",", ";", "\t")
_MARK_BYTES: Final = 25
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
class _Chunk:
    marks: NDArray[np.bytes_]
    rights: NDArray[np.bytes_]
    """Marks of right ears that differ from those of the left ones; empty for the others."""
    columns: dict[str, TextColumn]
    years: NDArray[np.int16]
    lines: NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class _Scan:
    name: str
    chunks: list[_Chunk]
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
        imported in part.
    """
    rules, columns = _said(rules, columns)
    scan = _scan(path, rules, columns, limit=PROBLEMS_NAMED)
    if scan.problems.count:
        raise RegistryError(scan.problems.message(scan.name))
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
        scan = replace(scan, chunks=[_without(chunk, bad) for chunk in scan.chunks])
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
        plain = _plain_header(data)
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
    chunks = _chunks(own.batches(ROWS_AT_A_TIME), own.header, rules, problems)
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
    batches = _batches(reader, len(header), quoted=b'"' in data, problems=problems)
    chunks = _chunks(batches, header, rules, problems)
    unused = tuple(column for column in header if column and column not in ROLES)
    return _Scan(name, chunks, problems, unused, (), hashlib.sha256(data).hexdigest())


def _chunks(
    batches: Iterable[tuple[list[int], list[list[str]]]],
    header: list[str],
    rules: Rules | None,
    problems: Problems,
) -> list[_Chunk]:
    """All rows, checked; identifiers that are there twice are reported."""
    seen = set[str]()
    chunks: list[_Chunk] = []
    repeated: list[tuple[int, str, str]] = []
    for lines, rows in batches:
        chunk, ids = _check(lines, rows, header, rules, problems)
        chunks.append(chunk)
        if len(set(ids)) < len(ids) or not seen.isdisjoint(ids):
            for line, animal_id, mark in zip(lines, ids, chunk.marks, strict=True):
                if animal_id and animal_id in seen:
                    repeated.append((line, animal_id, mark.decode("ascii")))
                seen.add(animal_id)
        else:
            seen.update(ids)
    problems.add_repeated(repeated, ((c.columns, c.lines, c.marks) for c in chunks))
    return chunks


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


def _written(chunks: list[_Chunk]) -> TextColumn | None:
    """Marks as the file writes them, where they differ; None when none does."""
    parts = [chunk.columns["written"] for chunk in chunks]
    return joined(parts) if any(part.data for part in parts) else None


def _without(chunk: _Chunk, bad: set[int]) -> _Chunk:
    """The rows whose lines are not among these and that have a mark."""
    good = [
        place
        for place, line in enumerate(chunk.lines.tolist())
        if line not in bad and chunk.marks[place]
    ]
    columns = {
        name: text_column([column[place] for place in good])
        for name, column in chunk.columns.items()
    }
    return _Chunk(
        chunk.marks[good], chunk.rights[good], columns, chunk.years[good], chunk.lines[good]
    )


def _plain_header(data: bytes) -> tuple[str, list[str]] | None:
    """Separator and columns of a file in UTF-8 with this program's names; None for all others."""
    first = data[:LONGEST_HEADER].split(b"\n", 1)[0].split(b"\r", 1)[0]
    try:
        line = first.decode("utf-8-sig")
        if not data.isascii():
            data.decode("utf-8")
    except UnicodeDecodeError:
        return None
    if b"E+" in data or b"e+" in data or data.count(first) > 1:
        return None
    for delimiter in _DELIMITERS:
        header = [column.strip().lower() for column in line.split(delimiter)]
        both = [column for column in EAR_MARKS if column in header]
        named = [column for column in header if column]
        if (
            "animal_id" in header
            and ("mark" in header) != bool(both)
            and not (both and "ear" in header)
            and len(named) == len(set(named))
            and '"' not in line
        ):
            return delimiter, header
    return None


def _batches(
    reader: Iterator[list[str]], width: int, *, quoted: bool, problems: Problems
) -> Iterator[tuple[list[int], list[list[str]]]]:
    """Rows of the right width that are not empty, some at a time, with the line each begins on.

    Without quotes in the file each line is a row; with them a row may go on over line ends.
    """
    line, size, at_end = 2, 1 if quoted else ROWS_AT_A_TIME, False
    lines: list[int] = []
    rows: list[list[str]] = []
    while not at_end:
        try:
            read = list(islice(reader, size))
        except csv.Error as error:
            at = line if quoted else int(getattr(reader, "line_num", 0)) + 1
            problems.add(at, "", f"cannot be read as CSV ({error}); the rest was not looked at")
            read = []
        at_end = not read
        if any(len(fields) != width or not fields[0] for fields in read):
            for offset, fields in enumerate(read):
                if len(fields) == width and any(fields):
                    lines.append(line + offset)
                    rows.append(fields)
                elif any(text.strip() for text in fields):
                    problem = f"has {len(fields)} fields; the header has {width}"
                    problems.add(line + offset, "", problem)
        else:
            lines += range(line, line + len(read))
            rows += read
        line = int(getattr(reader, "line_num", 0)) + 2
        if rows and (at_end or len(rows) >= ROWS_AT_A_TIME):
            yield lines, rows
            lines, rows = [], []


def _check(
    lines: list[int],
    rows: list[list[str]],
    header: list[str],
    rules: Rules | None,
    problems: Problems,
) -> tuple[_Chunk, list[str]]:
    """Columns of a batch of rows, and its identifiers; bad values are left empty and reported."""
    by_name = dict(zip(header, zip(*rows, strict=True), strict=True))
    found: list[tuple[int, str, str]] = []
    values = {
        column: _texts(column, by_name[column], lines, found)
        for column in TEXT_FIELDS
        if column in by_name
    }
    years = np.zeros(len(rows), dtype=np.int16)
    nothing = ("",) * len(rows)
    births = zip(
        by_name.get("birth_date", nothing), by_name.get("birth_year", nothing), strict=True
    )
    pairs = list(births)
    known = {pair: check_birth(*pair) for pair in set(pairs)}
    years[:] = [known[pair][0] for pair in pairs]
    if any(problem for _, problem in known.values()):
        field = "birth_date" if "birth_date" in by_name else "birth_year"
        found += [
            (line, field, known[p][1]) for line, p in zip(lines, pairs, strict=True) if known[p][1]
        ]
    if "mark" in by_name:
        ears = values.get("ear", nothing)
        written = list(by_name["mark"])
        marks = _marks("mark", by_name["mark"], lines, ears, years.tolist(), rules, found)
        rights: Sequence[str] = nothing
    else:
        marks, rights, values["ear"] = _ear_marks(by_name, lines, years.tolist(), rules, found)
        left, right = (by_name.get(column, nothing) for column in EAR_MARKS)
        written = [a.strip() or b.strip() for a, b in zip(left, right, strict=True)]
    for line, field, problem in sorted(found):
        problems.add(line, field, problem)
    differing = (
        list(nothing)
        if written == marks
        else [_differing(w, m) for w, m in zip(written, marks, strict=True)]
    )
    chunk = _Chunk(
        np.array(marks, dtype=f"S{_MARK_BYTES}"),
        np.array(rights, dtype=f"S{_MARK_BYTES}"),
        {column: text_column(texts) for column, texts in values.items()}
        | {"written": text_column(differing)},
        years,
        np.array(lines, dtype=np.int32),
    )
    return chunk, values["animal_id"]


def _differing(written: str, mark: str) -> str:
    """A mark as written where that is not the mark itself."""
    written = written.strip()
    return written if mark and written != mark else ""


def _ear_marks(
    by_name: Mapping[str, tuple[str, ...]],
    lines: list[int],
    years: Sequence[int],
    rules: Rules | None,
    found: list[tuple[int, str, str]],
) -> tuple[list[str], list[str], list[str]]:
    """Marks (the left ear's where both differ), differing right ones, and the marks' ears."""
    sides = []
    for column in EAR_MARKS:
        texts = by_name.get(column, ("",) * len(lines))
        there = [place for place, text in enumerate(texts) if text.strip()]
        checked = _marks(
            column,
            tuple(texts[place] for place in there),
            [lines[place] for place in there],
            [column.removesuffix("_mark")] * len(there),
            [years[place] for place in there],
            rules,
            found,
        )
        side = [""] * len(lines)
        for place, mark in zip(there, checked, strict=True):
            side[place] = mark
        found_none = set(range(len(lines))) - set(there)
        sides.append((side, found_none))
    (left, no_left), (right, no_right) = sides
    found += [
        (lines[place], "left_mark", "left_mark and right_mark are empty; expected at least one")
        for place in no_left & no_right
    ]
    ears = [
        "both" if a and a == b else "left" if a else "right"
        for a, b in zip(left, right, strict=True)
    ]
    marks = [a or b for a, b in zip(left, right, strict=True)]
    return marks, [b if a and b != a else "" for a, b in zip(left, right, strict=True)], ears


def _marks(
    column: str,
    texts: tuple[str, ...],
    lines: list[int],
    ears: Sequence[str],
    years: Sequence[int],
    rules: Rules | None,
    found: list[tuple[int, str, str]],
) -> list[str]:
    if not texts:
        return []
    if rules is None and all(map(MARK.fullmatch, texts)):
        upper = "\n".join(texts).upper().split("\n")
        if no_mark_words().isdisjoint(upper):
            return upper
    marks = []
    allowed = {
        (ear, year): allowed_pattern(rules, ear=ear, birth_year=year).fullmatch
        for ear, year in set(zip(ears, years, strict=True))
        if rules is not None and ear != "both"
    }
    for line, text, ear, year in zip(lines, texts, ears, years, strict=True):
        matches = allowed.get((ear, year))
        if matches is not None and matches(text):
            marks.append(text)
            continue
        mark, problem = check_mark(text, rules, ear=ear, birth_year=year)
        marks.append(mark)
        if problem:
            field = "birth_year" if problem.startswith("birth_year") else column
            found.append((line, field, problem))
    return marks


def _texts(
    column: str, texts: tuple[str, ...], lines: list[int], found: list[tuple[int, str, str]]
) -> list[str]:
    if column == "ear":
        known = {text: check_ear(text) for text in set(texts)}
        checked = [known[text] for text in texts]
    elif column != "animal_id" and not any(texts):
        return list(texts)
    elif max(map(len, texts)) <= LONGEST_FIELD and not CONTROL.search("".join(texts)):
        stripped = [text.strip() for text in texts]
        if column != "animal_id" or all(stripped):
            return stripped
        checked = [(text, "") for text in stripped]
    else:
        checked = [check_text(column, text) for text in texts]
    values = [value for value, _ in checked]
    if column == "animal_id" and not all(values):
        checked = [(v, p if v or p else "animal_id is empty") for v, p in checked]
    found += [(line, column, p) for line, (_, p) in zip(lines, checked, strict=True) if p]
    return values
