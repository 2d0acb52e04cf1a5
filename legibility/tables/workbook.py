"""Workbooks (XLSX) as rows of text: the values that the spreadsheet program computed last."""

from __future__ import annotations

import io
import posixpath
import re
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, time
from typing import Any, Final
from xml.etree import ElementTree

from legibility.errors import MissingExtraError, RegistryError
from legibility.tables.sheet import MAX_COLUMNS, Row, Sheet, column_number

MAX_UNZIPPED_MIB: Final = 512
"""Choice: as the limit of a text file."""
MAX_CELLS: Final = 5_000_000
"""Choice: half a million animals with ten columns; more belongs into a CSV file."""
MAX_SHEETS: Final = 50
"""Choice."""
LONGEST_CELL: Final = 4096
"""Choice: as for other imports; a workbook allows 32,767 characters."""
MERGED_LOOKED_AT: Final = 10_000
"""Choice: merged ranges of one sheet that are kept."""

OLD_WORKBOOK: Final = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
"""First bytes of the compound files that XLS files and encrypted XLSX files are."""
_MAIN: Final = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_LINK: Final = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_RANGE: Final = re.compile(rb'<(?:\w+:)?mergeCell\s[^>]*?ref="([A-Z]{1,3})(\d+):([A-Z]{1,3})(\d+)"')
_FORMULA: Final = re.compile(rb"<(?:\w+:)?f[\s>/]")
_NO_VALUE: Final = "holds a formula without a computed value; open and save the workbook once"


def workbook_sheets(data: bytes, name: str) -> tuple[Sheet, ...]:
    """All sheets with cells, hidden ones too.

    Raises
    ------
    RegistryError
        If it is no workbook, is larger than the limits, or is damaged.
    MissingExtraError
        If openpyxl is not installed (extra ``xlsx``).
    """
    try:
        import openpyxl
    except ImportError as error:
        raise MissingExtraError(
            f"{name}: a workbook needs the extra xlsx: pip install 'legibility[xlsx]'; or save "
            "it as CSV UTF-8"
        ) from error
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _check_archive(archive, name)
            parts = _sheet_parts(archive, name)
            raw = {title: archive.read(part) for title, part in parts.items()}
        computed = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        written = openpyxl.load_workbook(io.BytesIO(data), read_only=True)
        if len(computed.worksheets) > MAX_SHEETS:
            raise RegistryError(
                f"{name}: has {len(computed.worksheets)} sheets; expected at most {MAX_SHEETS}"
            )
        return tuple(
            _sheet(sheet, written[sheet.title], raw.get(sheet.title, b""), name)
            for sheet in computed.worksheets
        )
    except RegistryError:
        raise
    except Exception as error:  # whatever a damaged or hostile file makes of its parsers
        raise RegistryError(
            f"{name}: cannot be read as a workbook ({type(error).__name__}: {str(error)[:100]}); "
            "save it again as XLSX, or as CSV UTF-8"
        ) from error


def _check_archive(archive: zipfile.ZipFile, name: str) -> None:
    names = set(archive.namelist())
    if "xl/workbook.xml" not in names:
        kind = "an OpenDocument file" if "content.xml" in names else "an archive"
        raise RegistryError(
            f"{name}: is {kind}; expected CSV or XLSX: save it as XLSX or CSV UTF-8"
        )
    size = sum(entry.file_size for entry in archive.infolist())
    if size > MAX_UNZIPPED_MIB * 2**20:
        raise RegistryError(
            f"{name}: is {size / 2**20:,.0f} MiB when unpacked; expected at most "
            f"{MAX_UNZIPPED_MIB} MiB"
        )


def _sheet_parts(archive: zipfile.ZipFile, name: str) -> dict[str, str]:
    """Title of each sheet -> its part of the archive."""
    links = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    targets = {link.get("Id", ""): link.get("Target", "") for link in links}
    book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
    names = set(archive.namelist())
    parts = {}
    for sheet in book.iter(f"{_MAIN}sheet"):
        part = posixpath.normpath(posixpath.join("xl", targets.get(sheet.get(_LINK, ""), "")))
        part = part if part in names else targets.get(sheet.get(_LINK, ""), "").lstrip("/")
        if part in names:
            parts[sheet.get("name", "")] = part
    return parts


def _sheet(computed: Any, written: Any, raw: bytes, name: str) -> Sheet:
    """One sheet: its cells as text, and those that cannot be used."""
    title = str(computed.title)
    faults: dict[tuple[int, int], str] = {}
    rows: list[Row] = []
    cells = formulas = 0
    computed.reset_dimensions()
    for number, row in enumerate(computed.iter_rows(), start=1):
        texts = []
        if len(row) > MAX_COLUMNS:
            raise RegistryError(
                f"{name}: sheet {title}, row {number}: has {len(row):,} columns; expected at most "
                f"{MAX_COLUMNS:,}"
            )
        for column, cell in enumerate(row):
            text, fault = _text(cell)
            texts.append(text)
            if fault:
                faults[number, column] = fault
        while texts and not texts[-1]:
            texts.pop()
        cells += len(texts)
        if cells > MAX_CELLS:
            raise RegistryError(f"{name}: sheet {title}: has more than {MAX_CELLS:,} cells")
        if texts:
            rows.append((number, texts))
    if _FORMULA.search(raw):
        known = dict(rows)
        written.reset_dimensions()
        for number, row in enumerate(written.iter_rows(), start=1):
            for column, cell in enumerate(row):
                if getattr(cell, "data_type", "") != "f":
                    continue
                formulas += 1
                texts = known.get(number, [])
                if column >= len(texts) or not texts[column]:
                    faults.setdefault((number, column), _NO_VALUE)
    merged = tuple(
        (int(top), column_number(left.decode()), int(bottom), column_number(right.decode()))
        for left, top, right, bottom in _RANGE.findall(raw)[:MERGED_LOOKED_AT]
    )
    notices = []
    if formulas:
        cells_text = (
            "1 cell holds a formula" if formulas == 1 else f"{formulas} cells hold formulas"
        )
        notices.append(f"sheet {title}: {cells_text}; the values computed last were taken")

    def read() -> Iterator[Row]:
        return iter(rows)

    hidden = computed.sheet_state != "visible"
    return Sheet(read, title, hidden, faults, merged, tuple(notices))


def _text(cell: Any) -> tuple[str, str]:
    """A cell's value as a person would write it, and why it cannot be used."""
    value = cell.value
    if value is None:
        return "", ""
    if isinstance(value, str):
        if getattr(cell, "data_type", "") == "e":
            return "", f"holds the error {value[:20]}"
        if len(value) > LONGEST_CELL:
            return "", f"has {len(value):,} characters; expected at most {LONGEST_CELL:,}"
        return value, ""
    if isinstance(value, bool):
        return ("true" if value else "false"), ""
    if isinstance(value, int | float):
        return _number(value, str(getattr(cell, "number_format", "")))
    if isinstance(value, datetime):
        return (value.date().isoformat() if value.time() == time() else value.isoformat(" ")), ""
    if isinstance(value, date):
        return value.isoformat(), ""
    return str(value)[:LONGEST_CELL], ""


def _number(value: int | float, shown_as: str) -> tuple[str, str]:
    """A number's digits; whole numbers without a point, with the zeros that the sheet shows.

    A spreadsheet keeps 15 digits of a number (IEEE 754 double precision: every whole number up to
    2**53); what is longer has lost its last ones.
    """
    if isinstance(value, float) and not value.is_integer():
        return repr(value), ""
    if abs(value) >= 10**15:
        return "", (
            f"is the number {value:.2E}: a spreadsheet keeps 15 digits, the others are lost; set "
            "the column to text and enter it again"
        )
    digits = str(int(value))
    wide = re.fullmatch(r"0+", shown_as)
    return (digits.zfill(len(shown_as)) if wide and value >= 0 else digits), ""
