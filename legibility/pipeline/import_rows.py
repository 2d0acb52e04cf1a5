"""CSV files that people keep in a spreadsheet: header, line numbers, and all bad rows at once."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Final

from legibility.errors import RowsError
from legibility.photo.load import printable_name

MAX_FILE_MIB: Final = 512
"""Choice: the same limit as for a registry."""
LONGEST_CELL: Final = 4096
"""Choice: the longest path of common systems."""
PROBLEMS_NAMED: Final = 20
"""Choice: most bad rows named one by one."""
_DELIMITERS: Final = (",", ";", "\t")
_EUROPEAN: Final = re.compile(r"(\d{2})\.(\d{2})\.(\d{4})(.*)", re.DOTALL)
_EARS: Final = {"l": "left", "r": "right", "b": "both"}


@dataclass(frozen=True, slots=True)
class Table:
    """A CSV file with a header."""

    name: str
    """Printable."""
    sha256: str
    columns: tuple[str, ...]
    rows: tuple[tuple[int, Mapping[str, str]], ...]
    """Line of the file and its cells by column, without surrounding spaces."""


@dataclass(slots=True)
class Problems:
    """Bad rows, collected so that a person can mend them all at once."""

    name: str
    then: str = "nothing was imported"
    """What became of the other rows."""
    named: list[str] = field(default_factory=list)
    count: int = 0

    def add(self, line: int, problem: str) -> None:
        """One more, with its line."""
        self.count += 1
        if len(self.named) < PROBLEMS_NAMED:
            self.named.append(f"line {line}: {problem}")

    def raise_if_any(self) -> None:
        """End the import.

        Raises
        ------
        RowsError
            If there was a problem.
        """
        if not self.count:
            return
        more = self.count - len(self.named)
        lines = [f"  {problem}" for problem in self.named] + ([f"  and {more} more"] * bool(more))
        what = "problem" if self.count == 1 else "problems"
        raise RowsError(f"{self.name}: {self.count} {what}; {self.then}\n" + "\n".join(lines))


def read_table(path: Path, *, known: Iterable[str], needed: Iterable[str] = ()) -> Table:
    """A CSV file in UTF-8, separated by commas, semicolons or tabs.

    Parameters
    ----------
    known : iterable of str
        Column names; the first line must have at least one of them.
    needed : iterable of str
        Columns that must be there.

    Raises
    ------
    RowsError
        If the file cannot be read, has no such header, or a row has another number of fields, too
        long a cell or a control character.
    """
    name = printable_name(path)
    data = read_file(path)
    text = decoded(data, name)
    known, needed = tuple(known), tuple(needed)
    for delimiter in _DELIMITERS:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        try:
            columns = tuple(cell.strip().lower() for cell in next(reader, []))
        except csv.Error:
            continue
        if set(needed) <= set(columns) and set(known) & set(columns):
            break
    else:
        first = text.splitlines()[0][:100] if text.strip() else ""
        wanted = " and ".join(needed) if needed else " or ".join(known)
        raise RowsError(f"{name}: line 1: found {first!r}; expected a header with {wanted}")
    twice = sorted({c for c in columns if c and columns.count(c) > 1})
    if twice:
        raise RowsError(f"{name}: line 1: column {twice[0]!r} is there twice")
    problems = Problems(name)
    rows = tuple(_rows(reader, columns, problems))
    problems.raise_if_any()
    return Table(name, hashlib.sha256(data).hexdigest(), columns, rows)


def read_file(path: Path) -> bytes:
    """Bytes of an import file.

    Raises
    ------
    RowsError
        If it cannot be read, or is larger than ``MAX_FILE_MIB``.
    """
    name = printable_name(path)
    try:
        if path.stat().st_size > MAX_FILE_MIB * 2**20:
            raise RowsError(f"{name}: is larger than {MAX_FILE_MIB} MiB")
        return path.read_bytes()
    except OSError as error:
        raise RowsError(f"{name}: cannot be read: {error.strerror or error}") from error


def decoded(data: bytes, name: str) -> str:
    """Text of an import file.

    Raises
    ------
    RowsError
        If it is not UTF-8.
    """
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise RowsError(
            f"{name}: line {line}: byte 0x{data[error.start]:02x} is not UTF-8; save the file as "
            "CSV UTF-8"
        ) from error


def read_day(text: str) -> str:
    """A day as ``YYYY-MM-DD``; nothing stays nothing.

    Raises
    ------
    ValueError
        If it is written otherwise, or there is no such day.
    """
    if not text:
        return ""
    try:
        return date.fromisoformat(_iso(text)).isoformat()
    except ValueError:
        raise ValueError(f"found {text[:40]!r}; expected a day as YYYY-MM-DD") from None


def read_time(text: str) -> str:
    """A time as ISO 8601; a day alone stays a day, nothing stays nothing.

    ``DD.MM.YYYY`` is understood; ``01/02/2024`` is not, because it names two days.

    Raises
    ------
    ValueError
        If it is written otherwise.
    """
    if len(text) <= 10:
        return read_day(text)
    try:
        return datetime.fromisoformat(_iso(text)).isoformat()
    except ValueError:
        raise ValueError(f"found {text[:40]!r}; expected a time as YYYY-MM-DD HH:MM:SS") from None


def read_ear(text: str) -> str:
    """``left``, ``right``, ``both`` or nothing.

    Raises
    ------
    ValueError
        If it is anything else.
    """
    ear = _EARS.get(text.lower(), text.lower())
    if ear not in ("", *_EARS.values()):
        raise ValueError(f"found {text[:40]!r}; expected left, right, both or nothing")
    return ear


def _iso(text: str) -> str:
    found = _EUROPEAN.fullmatch(text)
    return f"{found[3]}-{found[2]}-{found[1]}{found[4]}" if found else text


def _rows(
    reader: Iterator[list[str]], columns: tuple[str, ...], problems: Problems
) -> Iterator[tuple[int, Mapping[str, str]]]:
    line = 2
    try:
        for cells in reader:
            stripped = [cell.strip() for cell in cells]
            if len(cells) != len(columns):
                if any(stripped):
                    problems.add(line, f"has {len(cells)} fields; the header has {len(columns)}")
            elif found := _bad_cell(stripped, columns):
                problems.add(line, found)
            else:
                yield line, dict(zip(columns, stripped, strict=True))
            line = int(getattr(reader, "line_num", 0)) + 1
    except csv.Error as error:
        problems.add(line, f"cannot be read as CSV ({error}); the rest was not looked at")


def _bad_cell(cells: list[str], columns: tuple[str, ...]) -> str:
    """The first cell that no person wrote, in words; nothing when there is none."""
    if max(map(len, cells), default=0) <= LONGEST_CELL and "".join(cells).isprintable():
        return ""
    for column, cell in zip(columns, cells, strict=True):
        if len(cell) > LONGEST_CELL:
            return f"{printable_name(column[:40])}: found {len(cell)} characters"
        if any((ord(c) < 32 and c not in "\t\r\n") or ord(c) == 127 for c in cell):
            return f"{printable_name(column[:40])}: found {cell[:40]!r}, with a control character"
    return ""
