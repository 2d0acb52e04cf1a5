"""Logs of transponder readers: a number and a time a line, in whatever form the reader writes."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from legibility import __version__
from legibility.errors import ChipError, RowsError
from legibility.herd.chip import code_notices, identity_problem
from legibility.herd.chiptext import parse_chip
from legibility.photo.load import printable_name
from legibility.pipeline.import_rows import Problems, decoded, read_file, read_table, read_time
from legibility.store.importing import Source
from legibility.store.records import ScanRow

COLUMNS: Final = ("number", "time", "date", "reader", "animal_id", "seconds", "note")
"""``number`` and ``time`` (or ``date`` and ``time``) are needed; an empty number with an
``animal_id`` is a try in which nothing answered."""
NOTICES_NAMED: Final = 5
"""Choice: most notices of a kind."""


@dataclass(frozen=True, slots=True)
class ScanFile:
    """A log, checked as a whole."""

    scans: tuple[ScanRow, ...]
    source: Source
    notices: tuple[str, ...]


def read_scan_file(
    path: Path,
    *,
    hex_order: str = "",
    reader: str = "",
    allow_test: bool = False,
    who: str = "",
) -> ScanFile:
    """Scans for :func:`legibility.store.importing.import_scans`.

    Parameters
    ----------
    path : Path
        With a header (``COLUMNS``), or with another one or none: then the column that holds
        transponder numbers and the one that holds times are found by their content.
    hex_order : str
        See :func:`legibility.herd.chiptext.parse_chip`.
    reader : str
        Name of the reader where the file has none.
    allow_test : bool
        Take numbers of the test range for identities.

    Raises
    ------
    RowsError
        If any row cannot be used; all are named with line and field.
    """
    name, sha256, rows = _table(path)
    problems = Problems(name)
    scans: list[ScanRow] = []
    notices: list[str] = []
    refused = backwards = 0
    last = ""
    for line, cells in rows:
        scan = _scan(line, cells, problems, hex_order, reader, allow_test, notices)
        if scan is None:
            continue
        scans.append(scan)
        refused += scan.outcome == "refused"
        # Two times compare only when both have a time of the day, in the same manner.
        if len(last) == len(scan.scanned_at) and scan.scanned_at < last:
            backwards += 1
            if backwards <= NOTICES_NAMED:
                notices.append(
                    f"line {line}: {scan.scanned_at} is before the line above ({last}): the "
                    "reader's clock went backwards, or the log is not in order"
                )
        last = scan.scanned_at or last
    problems.raise_if_any()
    if backwards > NOTICES_NAMED:
        notices.append(f"{backwards - NOTICES_NAMED} more lines are before the line above them")
    if refused:
        notices.append(
            f"{refused} scans are kept as refused: their numbers cannot stand for an animal"
        )
    return ScanFile(tuple(scans), Source(name, sha256, who, __version__), tuple(notices))


def scan_of(
    text: str,
    *,
    at: str,
    hex_order: str = "",
    reader: str = "",
    animal_id: str = "",
    allow_test: bool = False,
    note: str = "",
    seconds: float | None = None,
) -> ScanRow:
    """One scan; a number that cannot stand for an animal is kept as refused, with the reason.

    Raises
    ------
    ChipError
        If the text is no transponder number.
    """
    if not text:
        return ScanRow("", at, "nothing", reader, animal_id=animal_id, seconds=seconds, note=note)
    understood = parse_chip(text, hex_order=hex_order)
    reason = identity_problem(understood.code, allow_test=allow_test)
    return ScanRow(
        understood.code.number,
        at,
        "refused" if reason else "read",
        reader,
        raw=text,
        form=understood.form + (", checksum right" if understood.crc_checked else ""),
        animal_id=animal_id,
        seconds=seconds,
        note="; ".join(filter(None, (note, reason))),
    )


def _scan(
    line: int,
    cells: Mapping[str, str],
    problems: Problems,
    hex_order: str,
    reader: str,
    allow_test: bool,
    notices: list[str],
) -> ScanRow | None:
    number, animal_id = cells.get("number", ""), cells.get("animal_id", "")
    try:
        at = read_time(" ".join(filter(None, (cells.get("date", ""), cells.get("time", "")))))
    except ValueError as error:
        problems.add(line, f"time: {error}")
        return None
    if not at:
        problems.add(line, "time is empty")
        return None
    if not number and not animal_id:
        problems.add(line, "number is empty; a try without an answer needs an animal_id")
        return None
    try:
        seconds = float(cells["seconds"]) if cells.get("seconds") else None
        scan = scan_of(
            number,
            at=at,
            hex_order=hex_order,
            reader=cells.get("reader", "") or reader,
            animal_id=animal_id,
            allow_test=allow_test,
            note=cells.get("note", ""),
            seconds=seconds,
        )
    except ChipError as error:
        problems.add(line, f"number: {error}")
        return None
    except ValueError:
        problems.add(line, f"seconds: found {cells['seconds'][:40]!r}; expected a number")
        return None
    if number:
        said = code_notices(parse_chip(number, hex_order=hex_order).code)
        notices += [f"line {line}: {text}" for text in said if len(notices) < NOTICES_NAMED]
    return scan


def _table(path: Path) -> tuple[str, str, tuple[tuple[int, Mapping[str, str]], ...]]:
    try:
        table = read_table(path, known=COLUMNS, needed=("number", "time"))
        return table.name, table.sha256, table.rows
    except RowsError as error:
        name = printable_name(path)
        data = read_file(path)
        rows = tuple(_without_header(decoded(data, name)))
        if not rows or "expected a header" not in str(error):
            raise
        return name, hashlib.sha256(data).hexdigest(), rows


def _without_header(text: str) -> Iterator[tuple[int, Mapping[str, str]]]:
    """Rows of a log by their content, from the first line on, or below one that names columns.

    One column holds numbers; one holds times, or one days and the next one times of the day.
    """
    for delimiter in (",", ";", "\t"):
        lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
        lines = [[cell.strip() for cell in line] for line in lines]
        for start, first in enumerate(lines[:2]):
            numbers = [i for i, cell in enumerate(first) if _is_number(cell)]
            times = [i for i, cell in enumerate(first) if i not in numbers and _is_time(cell)]
            if len(numbers) != 1 or len(times) != 1:
                continue
            number, at = numbers[0], times[0]
            # A day, with the time of that day beside it.
            parts = 2 if at + 1 < len(first) and _is_time(f"{first[at]} {first[at + 1]}") else 1
            for line, cells in enumerate(lines[start:], start=start + 1):
                if any(cells):
                    padded = [*cells, *[""] * len(first)]
                    time = " ".join(filter(None, padded[at : at + parts]))
                    yield line, {"number": padded[number], "time": time}
            return


def _is_number(cell: str) -> bool:
    try:
        parse_chip(cell)
    except ChipError as error:
        return "spreadsheet" in str(error) or "say in which order" in str(error)
    return True


def _is_time(cell: str) -> bool:
    try:
        return bool(read_time(cell))
    except ValueError:
        return False
