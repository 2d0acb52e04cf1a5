"""Small tables that people keep in a spreadsheet: what is wrong is named by line and field."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from legibility.errors import TableError

MAX_FILE_MIB: Final = 64
"""Choice: a table of a million photos takes about as much."""
LONGEST_CELL: Final = 4096
"""Choice: the longest path of common systems."""
PROBLEMS_NAMED: Final = 20
"""Choice: most bad rows named one by one."""


@dataclass(frozen=True, slots=True)
class TextTable:
    """Rows of a CSV file by the names of its first line."""

    name: str
    """Path, safe to print."""
    rows: tuple[tuple[int, Mapping[str, str]], ...]
    """Line of the file, and its cells without surrounding blanks; known columns only."""
    unknown: tuple[str, ...]
    """Columns that are not used."""

    def refuse(self, problems: Sequence[str]) -> None:
        """Raise if there is any problem.

        Raises
        ------
        TableError
        """
        if problems:
            shown = "\n".join(f"  {problem}" for problem in problems[:PROBLEMS_NAMED])
            more = len(problems) - PROBLEMS_NAMED
            rest = f"\n  and {more} more" if more > 0 else ""
            count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
            raise TableError(f"{self.name}: {count}; nothing was used\n{shown}{rest}")


def read_table(path: Path, *, required: Sequence[str], optional: Sequence[str] = ()) -> TextTable:
    """A CSV file in UTF-8 separated by commas, semicolons or tabs; empty lines are left out.

    Parameters
    ----------
    required, optional : sequence of str
        Names of columns, in lower case; capitals and blanks in the file do not matter.

    Raises
    ------
    TableError
        If the file cannot be read, is too large, is no UTF-8, lacks a column or has it twice, or a
        row has another number of cells, a control character or too long a cell.
    """
    name = printable(str(path))
    text = _text(path, name)
    first = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    problems: list[str] = []
    rows: list[tuple[int, Mapping[str, str]]] = []
    try:
        header = [cell.strip().lower() for cell in next(reader, [])]
        _check_header(header, name, required, optional)
        known = {*required, *optional}
        for cells in reader:
            line = reader.line_num
            if not any(cell.strip() for cell in cells):
                continue
            problem = _row_problem(cells, header, line)
            if problem:
                problems.append(problem)
                continue
            pairs = zip(header, cells, strict=True)
            rows.append((line, {key: cell.strip() for key, cell in pairs if key in known}))
    except csv.Error as error:
        raise TableError(f"{name}: line {reader.line_num}: no CSV: {error}") from error
    unknown = tuple(printable(cell) for cell in header if cell and cell not in known)
    table = TextTable(name, tuple(rows), unknown)
    table.refuse(problems)
    if not rows:
        raise TableError(f"{name}: has no rows below the header; expected one line a photo or step")
    return table


def printable(text: str) -> str:
    """Text that any terminal can print: control characters and broken bytes as escapes."""
    safe = text.encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in safe)


def _text(path: Path, name: str) -> str:
    try:
        if not path.is_file():
            raise TableError(f"{name}: there is no such file; expected a CSV file")
        if path.stat().st_size > MAX_FILE_MIB * 1024 * 1024:
            raise TableError(f"{name}: larger than {MAX_FILE_MIB} MiB; expected a small CSV file")
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TableError(
            f"{name}: byte {error.start} is no UTF-8; save the file as CSV in UTF-8"
        ) from error
    except (OSError, ValueError) as error:
        if isinstance(error, TableError):
            raise
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        raise TableError(f"{name}: cannot be read: {reason}") from error


def _check_header(
    header: Sequence[str], name: str, required: Sequence[str], optional: Sequence[str]
) -> None:
    missing = [column for column in required if column not in header]
    if missing:
        found = ", ".join(printable(cell[:40]) for cell in header[:20]) or "nothing"
        raise TableError(
            f"{name}: line 1: no column {', '.join(missing)}; found {found}; expected the columns "
            f"{', '.join([*required, *optional])}"
        )
    for column in (*required, *optional):
        if list(header).count(column) > 1:
            raise TableError(f"{name}: line 1: the column {column} is there twice")


def _row_problem(cells: Sequence[str], header: Sequence[str], line: int) -> str:
    if len(cells) != len(header):
        return f"line {line}: has {len(cells)} cells; expected {len(header)}"
    for column, cell in zip(header, cells, strict=True):
        if len(cell) > LONGEST_CELL:
            return f"line {line}: {printable(column)} has {len(cell)} characters"
        if any(ord(character) < 32 or ord(character) == 127 for character in cell.strip()):
            return f"line {line}: {printable(column)} {cell[:40]!r} has a control character"
    return ""
