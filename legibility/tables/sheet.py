"""A table before anyone says what it means: rows of text, and what is wrong with single cells."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice
from typing import Final, TypeAlias

MAX_FILE_MIB: Final = 512
"""Choice: a registry of a million rows takes about 50 MiB."""
MAX_COLUMNS: Final = 1000
"""Choice: a list of animals has some ten columns; a thousand is another kind of file."""

Row: TypeAlias = tuple[int, list[str]]
"""Line of the file or row of the sheet (from 1), and its cells."""


class BrokenRow(Exception):
    """A row that cannot be read; those after it cannot either."""

    def __init__(self, line: int, problem: str) -> None:
        super().__init__(problem)
        self.line = line
        self.problem = problem


@dataclass(frozen=True, slots=True)
class Sheet:
    """Rows of text; read anew each time they are asked for."""

    rows: Callable[[], Iterator[Row]]
    """Raises :class:`BrokenRow`."""
    name: str = ""
    """Empty for a text file."""
    hidden: bool = False
    faults: Mapping[tuple[int, int], str] = field(default_factory=dict)
    """(row, column from 0) -> why the cell cannot be used, in words."""
    merged: tuple[tuple[int, int, int, int], ...] = ()
    """First row, first column from 0, last row, last column of cells that are one on the screen."""
    notices: tuple[str, ...] = ()

    def place(self, line: int) -> str:
        """Where a row is: ``line 7``, ``sheet Animals, row 7``."""
        return f"sheet {self.name}, row {line}" if self.name else f"line {line}"

    def address(self, line: int, column: int, heading: str) -> str:
        """Where a cell is: ``line 7, column Tag``, ``sheet Animals, cell C7``."""
        if self.name:
            return f"sheet {self.name}, cell {letters(column)}{line}"
        return f"line {line}, column {heading[:40] or letters(column)}"


@dataclass(frozen=True, slots=True)
class Table:
    """What a file holds."""

    name: str
    """Path, safe to print."""
    sha256: str
    form: str
    """How it is written: ``CSV, comma, UTF-8``, ``XLSX``."""
    sheets: tuple[Sheet, ...]
    notices: tuple[str, ...] = ()


def rows_below(sheet: Sheet, line: int) -> Iterator[Row]:
    """Rows with a cell, below a line."""
    for row in sheet.rows():
        cells = row[1]
        if row[0] > line and cells and (cells[0].strip() or any(cell.strip() for cell in cells)):
            yield row


def sampled(rows: Iterator[Row], most: int | None) -> list[Row]:
    """The first rows (None: all), up to one that cannot be read."""
    found: list[Row] = []
    with contextlib.suppress(BrokenRow):
        found.extend(islice(rows, most))
    return found


def letters(column: int) -> str:
    """Name of a column (from 0) in a spreadsheet.

    Examples
    --------
    >>> letters(0), letters(27)
    ('A', 'AB')
    """
    text, rest = "", column + 1
    while rest:
        rest, digit = divmod(rest - 1, 26)
        text = chr(65 + digit) + text
    return text


def column_number(text: str) -> int:
    """Column (from 0) that letters or a number from 1 name; -1 when they name none.

    Examples
    --------
    >>> column_number("AB"), column_number("3"), column_number("Tag")
    (27, 2, -1)
    """
    if text.isascii() and text.isdigit() and len(text) <= 5:
        return int(text) - 1
    if not (text.isascii() and text.isalpha() and text.isupper() and len(text) <= 2):
        return -1
    number = 0
    for letter in text:
        number = number * 26 + ord(letter) - 64
    return number - 1
