"""Rows of files that need no understanding: UTF-8, columns with this program's names."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from itertools import islice
from typing import Final

from legibility.identify.registry_rows import EAR_MARKS, ROWS_AT_A_TIME
from legibility.identify.row_problems import Problems
from legibility.tables.text_file import LONGEST_HEADER

_DELIMITERS: Final = (",", ";", "\t")


def plain_header(data: bytes) -> tuple[str, list[str]] | None:
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


def plain_batches(
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
