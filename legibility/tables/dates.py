"""Days and years in the national forms, read only when the column settles day and month."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Final

from legibility.tables.plain import cell_words, plain

_TIME: Final = r"(?:[T ]\s*\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?:Z|[+-]\d{2}:?\d{2})?)?"
_YEAR_FIRST: Final = re.compile(rf"(\d{{4}})([-/.])(\d{{1,2}})\2(\d{{1,2}}){_TIME}")
# Polish writes r. (roku) after the year.
_YEAR_LAST: Final = re.compile(
    rf"(\d{{1,2}})\s?([-/.])\s?(\d{{1,2}})\s?\2\s?(\d{{4}}|\d{{2}})(?:\.|\s?r\.?)?{_TIME}"
)
_NAMED: Final = re.compile(
    r"(?:\w{2,10}\.?,\s*)?(\d{1,2})(?:st|nd|rd|th|er|\.|º|°)?[\s\-./]*(?:de\s+)?"
    r"([^\W\d_]{3,12})\.?[\s\-./,]*(?:de\s+)?(\d{4}|\d{2})(?:\s?r\.?)?",
    re.IGNORECASE,
)
_NAMED_FIRST: Final = re.compile(
    r"([^\W\d_]{3,12})\.?\s+(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4})", re.IGNORECASE
)
_MONTH: Final = re.compile(r"(?:(\d{1,2})[/.\-](\d{4})|(\d{4})[/.\-](\d{1,2}))")
_ALONE: Final = re.compile(r"(?:19|20)\d{2}")
_SERIAL: Final = re.compile(r"[2-5]\d{4}(?:\.\d+)?")
"""Days since 1899-12-30 as spreadsheets count them: 20000 is 1954, 59999 is 2064."""
LONGEST: Final = 60
"""Choice: characters of a cell that are looked at for a day."""


@dataclass(frozen=True, slots=True)
class Order:
    """In which order a column writes day, month and year."""

    order: str
    """``dmy``, ``mdy``; empty: no date needs it, or nothing settles it."""
    why: str = ""
    open: bool = False
    """Whether dates need it and nothing settles it."""
    problem: str = ""
    """Why no order can be right."""


def looks_dated(text: str) -> bool:
    """Whether a text is a day in one of the forms."""
    text = text.strip()[:LONGEST]
    return bool(
        _YEAR_FIRST.fullmatch(text)
        or _YEAR_LAST.fullmatch(text)
        or _named(text) is not None
        or _MONTH.fullmatch(text)
    )


def looks_like_year(text: str) -> bool:
    """Whether a text is a year of our times."""
    return _ALONE.fullmatch(text.strip()) is not None


def settle(texts: Iterable[str]) -> Order:
    """Order of day and month in a column, by all its texts.

    With dots the day goes first (common practice, no source).
    """
    first_day = second_day = needed = ""
    for text in texts:
        found = _YEAR_LAST.fullmatch(text.strip()[:LONGEST])
        if found is None or found[2] == ".":
            continue
        needed = needed or text.strip()
        if int(found[1]) > 12:
            first_day = first_day or text.strip()
        if int(found[3]) > 12:
            second_day = second_day or text.strip()
    if first_day and second_day:
        return Order("", problem=f"{first_day} has the day first and {second_day} the month")
    if first_day:
        return Order("dmy", f"{first_day} can only have the day first")
    if second_day:
        return Order("mdy", f"{second_day} can only have the month first")
    if needed:
        return Order("", f"{needed} may have the day or the month first", open=True)
    return Order("")


@lru_cache(maxsize=65536)
def read_birth(text: str, order: str, *, this_year: int) -> tuple[str, str]:
    """A day as ``YYYY-MM-DD`` or a year as ``YYYY``, and what is wrong with the text.

    Parameters
    ----------
    order : str
        ``dmy`` or ``mdy`` of dates such as 03/04/2019.
    this_year : int
        Years of two digits are of the hundred years before the end of it.

    Examples
    --------
    >>> read_birth("3. März 2019", "", this_year=2026), read_birth("3/4/19", "mdy", this_year=2026)
    (('2019-03-03', ''), ('2019-03-04', ''))
    """
    shown = text.strip()
    short = shown[:LONGEST]
    if _ALONE.fullmatch(short):
        return short, ""
    if found := _YEAR_FIRST.fullmatch(short):
        return _day(int(found[1]), int(found[3]), int(found[4]), shown)
    if found := _YEAR_LAST.fullmatch(short):
        day, month = int(found[1]), int(found[3])
        if found[2] != "." and order == "mdy":
            day, month = month, day
        return _day(_full(found[4], this_year), month, day, shown)
    if (named := _named(short)) is not None:
        year, month, day = named
        return _day(_full(year, this_year), month, day, shown)
    if found := _MONTH.fullmatch(short):
        month, year = int(found[1] or found[4]), found[2] or found[3]
        return (year, "") if 1 <= month <= 12 else ("", f"{shown[:40]!r} is no month of a year")
    if _SERIAL.fullmatch(short):
        return "", f"{shown[:40]!r} is a spreadsheet's count of days; show the column as dates"
    return "", f"{shown[:40]!r} is no day or year that is understood; expected YYYY-MM-DD"


def _day(year: int, month: int, day: int, shown: str) -> tuple[str, str]:
    try:
        return date(year, month, day).isoformat(), ""
    except ValueError:
        return "", f"{shown[:40]!r}: there is no such day (day {day}, month {month}, year {year})"


def _full(year: str, this_year: int) -> int:
    if len(year) == 4:
        return int(year)
    century = this_year // 100 * 100
    full = century + int(year)
    return full if full <= this_year else full - 100


def _named(text: str) -> tuple[str, int, int] | None:
    months = cell_words("months")
    if (found := _NAMED.fullmatch(text)) and (month := months.get(plain(found[2]))):
        return found[3], int(month), int(found[1])
    if (found := _NAMED_FIRST.fullmatch(text)) and (month := months.get(plain(found[1]))):
        return found[3], int(month), int(found[2])
    return None
