"""Reads a registry from a CSV file: all of it, or an error that names every bad row."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
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
    MARK,
    check_birth,
    check_ear,
    check_mark,
    check_text,
)
from legibility.identify.textcolumn import TextColumn, joined, text_column
from legibility.marks.rules import Rules, allowed_pattern

MAX_FILE_MIB: Final = 512
"""Choice: a registry of a million rows takes about 50 MiB."""
LONGEST_HEADER: Final = 20_000
"""Choice: characters of the first line that are looked at."""
ROWS_AT_A_TIME: Final = 300
"""Measured: of 200 to 50,000 the size that needs least time and memory, within a tenth."""

__all__ = ["Registry", "RegistryCheck", "check_registry", "load_registry", "registry_of"]

EAR_MARKS: Final = ("left_mark", "right_mark")
KNOWN: Final = (
    "animal_id",
    "mark",
    *EAR_MARKS,
    "ear",
    "birth_date",
    "birth_year",
    "sex",
    "chip",
    "status",
)
_DELIMITERS: Final = (",", ";", "\t")
_MARK_BYTES: Final = 25


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
    header: list[str]
    chunks: list[_Chunk]
    problems: Problems


def load_registry(path: Path, *, rules: Rules | None = None) -> Registry:
    """Registry from a CSV file in UTF-8, separated by commas, semicolons or tabs.

    Parameters
    ----------
    path : Path
        First line: column names. ``animal_id`` and ``mark`` are required; ``ear``, ``birth_date``
        (YYYY-MM-DD) or ``birth_year``, ``sex``, ``chip``, ``status`` are optional; others are
        ignored with a notice. Two-row marks are written ``AB/123``. Where animals have a mark in
        each ear, ``left_mark`` and ``right_mark`` stand in place of ``mark`` and ``ear``; one of
        them may be empty.
    rules : Rules, optional
        Marks that break them are errors too.

    Raises
    ------
    RegistryError
        If the file cannot be read, or any row cannot be used: the first ``PROBLEMS_NAMED`` are
        named with line and field, and nothing is imported in part.
    """
    scan = _scan(path, rules, limit=PROBLEMS_NAMED)
    if scan.problems.count:
        raise RegistryError(scan.problems.message(scan.name))
    if not scan.chunks:
        raise RegistryError(
            f"{scan.name}: has no rows below the header; expected one line an animal"
        )
    return _assembled(scan, rules)


def check_registry(path: Path, *, rules: Rules | None = None) -> RegistryCheck:
    """Everything that is wrong with the rows of a registry file; nothing is kept of it.

    Parameters
    ----------
    path, rules
        As :func:`load_registry`.

    Raises
    ------
    RegistryError
        If the file cannot be read at all, or has no header or no rows.
    """
    scan = _scan(path, rules, limit=sys.maxsize)
    problems = tuple(sorted(scan.problems.named))
    rows = sum(chunk.lines.size for chunk in scan.chunks)
    if not rows and not problems:
        raise RegistryError(
            f"{scan.name}: has no rows below the header; expected one line an animal"
        )
    return RegistryCheck(rows, problems, () if problems else _assembled(scan, rules).notices)


def _scan(path: Path, rules: Rules | None, *, limit: int) -> _Scan:
    """Every row of a file, checked."""
    name = ascii_safe(path)
    data = _read(path, name)
    stream = io.TextIOWrapper(io.BytesIO(data), encoding="utf-8-sig", newline="")
    delimiter, header = _header(stream.readline(LONGEST_HEADER), name)
    reader = csv.reader(stream, delimiter=delimiter, strict=True)
    problems, seen = Problems(limit), set[str]()
    chunks: list[_Chunk] = []
    repeated: list[tuple[int, str]] = []
    batches = _batches(reader, len(header), quoted=b'"' in data, problems=problems)
    for lines, rows in batches:
        chunk, ids = _check(lines, rows, header, rules, problems)
        chunks.append(chunk)
        if len(set(ids)) < len(ids) or not seen.isdisjoint(ids):
            for line, animal_id in zip(lines, ids, strict=True):
                if animal_id and animal_id in seen:
                    repeated.append((line, animal_id))
                seen.add(animal_id)
        else:
            seen.update(ids)
    problems.add_repeated(repeated, ((chunk.columns, chunk.lines) for chunk in chunks))
    return _Scan(name, header, chunks, problems)


def _assembled(scan: _Scan, rules: Rules | None) -> Registry:
    unknown = [column for column in scan.header if column and column not in KNOWN]
    return assemble(
        name=scan.name,
        marks=np.concatenate([chunk.marks for chunk in scan.chunks]),
        columns={
            column: joined([chunk.columns[column] for chunk in scan.chunks])
            for column in TEXT_FIELDS
            if column in scan.chunks[0].columns
        },
        birth_years=np.concatenate([chunk.years for chunk in scan.chunks]),
        lines=np.concatenate([chunk.lines for chunk in scan.chunks]),
        notices=(unused_columns(unknown),) if unknown else (),
        rules=rules,
        rights=np.concatenate([chunk.rights for chunk in scan.chunks]),
    )


def ascii_safe(path: Path) -> str:
    """Path that any terminal can print: undecodable bytes and control characters escaped."""
    text = str(path).encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def _read(path: Path, name: str) -> bytes:
    try:
        size = path.stat().st_size
        if size > MAX_FILE_MIB * 2**20:
            raise RegistryError(
                f"{name}: is {size / 2**20:.0f} MiB; expected at most {MAX_FILE_MIB} MiB"
            )
        data = path.read_bytes()
    except OSError as error:
        raise RegistryError(f"{name}: cannot be read: {error.strerror or error}") from error
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise RegistryError(f"{name}: is UTF-16; expected UTF-8: save it as CSV UTF-8")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise RegistryError(
            f"{name}: line {line}: byte 0x{data[error.start]:02x} is not UTF-8 (the file looks "
            "like Latin-1); expected UTF-8: save it as CSV UTF-8"
        ) from error
    if not text.strip("\ufeff \t\r\n"):
        raise RegistryError(f"{name}: is empty; expected a header with animal_id and mark")
    return data


def _header(line: str, name: str) -> tuple[str, list[str]]:
    """Delimiter and column names; the delimiter is the one that gives the required columns."""
    for delimiter in _DELIMITERS:
        try:
            fields = next(csv.reader([line], delimiter=delimiter, strict=True), [])
        except csv.Error:
            continue
        header = [column.strip().lower() for column in fields]
        both = [column for column in EAR_MARKS if column in header]
        if "animal_id" in header and ("mark" in header or both):
            if "mark" in header and both:
                raise RegistryError(
                    f"{name}: line 1: found the columns mark and {both[0]}; expected mark, or "
                    "left_mark and right_mark"
                )
            if both and "ear" in header:
                raise RegistryError(
                    f"{name}: line 1: found the columns ear and {both[0]}; expected ear only "
                    "beside mark"
                )
            twice = sorted({column for column in header if column and header.count(column) > 1})
            if twice:
                raise RegistryError(f"{name}: line 1: column {twice[0]!r} is there twice")
            return delimiter, header
    raise RegistryError(
        f"{name}: line 1: found {line.strip()[:120]!r}; expected a header with animal_id and mark, "
        "separated by commas, semicolons or tabs"
    )


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
        marks = _marks("mark", by_name["mark"], lines, ears, years.tolist(), rules, found)
        rights: Sequence[str] = nothing
    else:
        marks, rights, values["ear"] = _ear_marks(by_name, lines, years.tolist(), rules, found)
    for line, field, problem in sorted(found):
        problems.add(line, field, problem)
    chunk = _Chunk(
        np.array(marks, dtype=f"S{_MARK_BYTES}"),
        np.array(rights, dtype=f"S{_MARK_BYTES}"),
        {column: text_column(texts) for column, texts in values.items()},
        years,
        np.array(lines, dtype=np.int32),
    )
    return chunk, values["animal_id"]


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
    if rules is None and all(map(MARK.fullmatch, texts)):
        return "\n".join(texts).upper().split("\n")
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
