"""Sheets to fill in, as CSV and JSON, and their reading back."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from legibility.errors import EvidenceError
from legibility.evidence.blind import Key, Sheet
from legibility.marks.open_readings import clean_reading

COLUMNS: Final = ("sheet", "position", "item", "reading", "legibility", "read_at", "comment")
CLAIM_COLUMN: Final = "claim"
LARGEST_FILE: Final = 4 * 2**20
"""Choice: bytes of a sheet."""
GRADES: Final = range(5)
"""4 (as new) .. 0 (lost), as in the grade of a mark."""


@dataclass(frozen=True, slots=True)
class Answer:
    """One filled-in line."""

    item: str
    reading: str
    """"?" for each place that cannot be read, ``[8B]`` where it is one of several, ``/`` between
    rows, "-" for nothing to read."""
    legibility: int | None
    read_at: str
    claim: str
    """Which claim the reader thought right, on sheets that show claims; else empty."""

    @property
    def given(self) -> bool:
        """Whether the line was answered."""
        return bool(self.reading)


@dataclass(frozen=True, slots=True)
class FilledSheet:
    """A sheet that came back."""

    sheet: Sheet
    answers: tuple[Answer, ...]
    """In the order shown; those missing in the file are left empty."""
    sha256: str
    file: str


def sheet_csv(sheet: Sheet, *, claims: bool) -> str:
    """An empty sheet as CSV."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow([*COLUMNS, CLAIM_COLUMN] if claims else COLUMNS)
    for item in sheet.items:
        empty = [""] * (len(COLUMNS) - 3 + int(claims))
        writer.writerow([sheet.sheet, item.position, item.item, *empty])
    return stream.getvalue()


def sheet_json(sheet: Sheet, *, claims: bool) -> str:
    """An empty sheet as JSON."""
    fields = [*COLUMNS[3:], *([CLAIM_COLUMN] if claims else [])]
    readings = [
        {"position": item.position, "item": item.item, **dict.fromkeys(fields, "")}
        for item in sheet.items
    ]
    return json.dumps({"sheet": sheet.sheet, "readings": readings}, indent=1) + "\n"


def load_sheet(path: Path, key: Key) -> FilledSheet:
    """A filled-in sheet of a key's set.

    Raises
    ------
    EvidenceError
        If the file cannot be read, is of another set, or a line cannot be used: all such lines are
        named with their field.
    """
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise EvidenceError(f"{path}: is larger than {LARGEST_FILE} bytes; no sheet is")
        data = path.read_bytes()
        text = data.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise EvidenceError(f"{path}: cannot be read as a sheet in UTF-8: {error}") from error
    rows = _json_rows(path, text) if text.lstrip().startswith("{") else _csv_rows(path, text)
    codes = {str(row.get("sheet", "")).strip() for _, row in rows}
    known = {sheet.sheet: sheet for sheet in key.sheets}
    if len(codes) != 1 or not codes <= set(known):
        raise EvidenceError(
            f"{path}: sheet code is {sorted(codes)}; expected one of {sorted(known)}: is this the "
            "key of that set?"
        )
    sheet = known[codes.pop()]
    wanted = {item.item for item in sheet.items}
    answers: dict[str, Answer] = {}
    problems = []
    for line, row in rows:
        answer, problem = _answer(row, wanted)
        if answer is not None and answer.item in answers:
            problem = f"item {answer.item!r} was answered before"
        if problem:
            problems.append(f"line {line}: {problem}")
        elif answer is not None:
            answers[answer.item] = answer
    if problems:
        lines = "1 line" if len(problems) == 1 else f"{len(problems)} lines"
        raise EvidenceError(f"{path}: {lines} cannot be used\n  " + "\n  ".join(problems))
    missing = Answer("", "", None, "", "")
    ordered = tuple(answers.get(item.item, missing) for item in sheet.items)
    return FilledSheet(sheet, ordered, hashlib.sha256(data).hexdigest(), path.name)


def _csv_rows(path: Path, text: str) -> list[tuple[int, Mapping[str, Any]]]:
    first = text.splitlines()[0] if text.strip() else ""
    delimiter = next((d for d in (",", ";", "\t") if f"sheet{d}" in first.replace('"', "")), ",")
    reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        rows: list[tuple[int, Mapping[str, Any]]] = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise EvidenceError(f"{path}: line {reader.line_num}: is no CSV: {error}") from error
    fields = reader.fieldnames or []
    missing = [name for name in ("sheet", "item", "reading") if name not in fields]
    if missing or not rows:
        raise EvidenceError(
            f"{path}: line 1: columns {', '.join(missing) or 'are there, but no line follows'}; "
            f"expected {', '.join(COLUMNS)}"
        )
    return rows


def _json_rows(path: Path, text: str) -> list[tuple[int, Mapping[str, Any]]]:
    try:
        values = json.loads(text)
        sheet, readings = values["sheet"], values["readings"]
        return [(n, {"sheet": sheet, **row}) for n, row in enumerate(readings, start=1)]
    except (ValueError, KeyError, TypeError) as error:
        raise EvidenceError(f"{path}: is no sheet in JSON: {error}") from error


def _answer(row: Mapping[str, Any], wanted: set[str]) -> tuple[Answer | None, str]:
    def field(name: str) -> str:
        return str(row.get(name) or "").strip()

    item = field("item").upper()
    if item not in wanted:
        return None, f"item {item!r} is not on this sheet"
    reading, problem = clean_reading(field("reading"))
    legibility: int | None = None
    given = field("legibility")
    if given:
        if given not in {str(g) for g in GRADES}:
            problem = problem or f"legibility is {given!r}; expected 4 (as new) to 0 (lost)"
        else:
            legibility = int(given)
    return Answer(item, reading, legibility, field("read_at"), field(CLAIM_COLUMN)), problem


def unanswered(sheets: Sequence[FilledSheet]) -> list[str]:
    """Items not answered yet, as ``reader: item``."""
    return [
        f"{filled.sheet.reader}: {item.item}"
        for filled in sheets
        for item, answer in zip(filled.sheet.items, filled.answers, strict=True)
        if not answer.given
    ]
