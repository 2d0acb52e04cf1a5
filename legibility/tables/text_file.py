"""Text files of rows: encoding, separator and quotes as they come (RFC 4180 for quotes)."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Iterator
from typing import Final

from legibility.errors import RegistryError
from legibility.tables.header_row import LOOKED_AT, header_score
from legibility.tables.sheet import MAX_COLUMNS, BrokenRow, Row, Sheet, rows_below, sampled

DELIMITERS: Final = {",": "comma", ";": "semicolon", "\t": "tab", "|": "vertical bar"}
LONGEST_HEADER: Final = 20_000
"""Choice: characters of the first line that are looked at."""
SAMPLE: Final = 100
"""Choice: rows by which the separator is found."""
_BOMS: Final = (
    (codecs.BOM_UTF8, "utf-8", "UTF-8"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
)
_UTF8_PAIR: Final = re.compile(rb"[\xc3-\xc5][\x80-\xbf]")
"""A letter with an accent of the Latin alphabets in UTF-8; two rare signs in Windows-1252."""


def decoded(data: bytes, name: str) -> tuple[str, str, tuple[str, ...]]:
    """Text of a file, its encoding, and what is worth knowing of it.

    UTF-8 and UTF-16 with or without byte order mark; what is neither is Windows-1252.

    Raises
    ------
    RegistryError
        If it is none of these, or two at once.
    """
    for mark, codec, shown in _BOMS:
        if data.startswith(mark):
            return _strict(data, codec, shown, name), shown, ()
    if codec := _silent_utf16(data):
        return _strict(data, codec, "UTF-16", name), "UTF-16", ()
    try:
        return data.decode("utf-8"), "UTF-8", ()
    except UnicodeDecodeError as error:
        first = error.start
    line = data.count(b"\n", 0, first) + 1
    pair = _UTF8_PAIR.search(data)
    if pair is not None:
        other = data.count(b"\n", 0, pair.start()) + 1
        raise RegistryError(
            f"{name}: line {line} has the byte 0x{data[first]:02x}, which is not UTF-8, and line "
            f"{other} has letters in UTF-8: two encodings in one file; save it as CSV UTF-8"
        )
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise RegistryError(
            f"{name}: line {line}: byte 0x{data[error.start]:02x} is neither UTF-8 nor "
            "Windows-1252; save it as CSV UTF-8"
        ) from error
    seen = text.split("\n")[line - 1].strip()[:60]
    notice = f"read as Windows-1252; see whether line {line} is right: {seen}"
    return text, "Windows-1252", (notice,)


def text_sheet(text: str, name: str) -> tuple[Sheet, str]:
    """Rows of a text, and the name of what separates their cells.

    Raises
    ------
    RegistryError
        If there are too many columns.
    """
    first = text[:LONGEST_HEADER].split("\n", 1)[0].strip().strip('"')
    skip = 0
    if re.fullmatch(r"sep=.", first) and first[-1] in DELIMITERS:
        delimiter, skip = first[-1], 1
    else:
        delimiter = max(DELIMITERS, key=lambda mark: _fit(text, mark))
    for cells in _some(text, delimiter):
        if len(cells) > MAX_COLUMNS:
            raise RegistryError(
                f"{name}: has {len(cells):,} columns, separated by {DELIMITERS[delimiter]}; "
                f"expected at most {MAX_COLUMNS:,}"
            )

    def rows() -> Iterator[Row]:
        found = text_rows(text, delimiter)
        for _ in range(skip):
            next(found, None)
        return found

    return Sheet(rows), DELIMITERS[delimiter]


def text_rows(text: str, delimiter: str) -> Iterator[Row]:
    """Line on which each row begins, and its cells; a row may go on over line ends in quotes."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = 1
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise BrokenRow(line, f"cannot be read as CSV ({error})") from error
        yield line, cells
        line = reader.line_num + 1


def _strict(data: bytes, codec: str, shown: str, name: str) -> str:
    try:
        return data.decode(codec)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise RegistryError(
            f"{name}: line {line}: begins as {shown} and has bytes that are not "
            f"(0x{data[error.start]:02x}); save it as CSV UTF-8"
        ) from error


def _silent_utf16(data: bytes) -> str:
    """Codec of UTF-16 without a mark: nearly every second byte is zero."""
    head = data[:4000]
    if len(head) < 8 or len(data) % 2:
        return ""
    half = len(head) // 2
    zeros = (head[0::2].count(0), head[1::2].count(0))
    if zeros[1] > 0.7 * half and not zeros[0]:
        return "utf-16-le"
    return "utf-16-be" if zeros[0] > 0.7 * half and not zeros[1] else ""


def _some(text: str, delimiter: str) -> list[list[str]]:
    sheet = Sheet(lambda: text_rows(text, delimiter))
    return [cells for _, cells in sampled(rows_below(sheet, 0), SAMPLE)]


def _fit(text: str, delimiter: str) -> tuple[float, float, int]:
    """Known headings, share of rows with the usual number of cells, that number."""
    rows = _some(text, delimiter)
    score = max(map(header_score, rows[:LOOKED_AT]), default=0.0)
    widths = Counter(map(len, rows))
    usual, count = max(widths.items(), key=lambda item: (item[1], item[0]), default=(0, 0))
    return (score, round(count / len(rows), 1), usual) if usual > 1 else (score, 0.0, 0)
