"""What a person says of a table's columns: ``animal_id=Tag,left_mark="Left tattoo"``."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final

from legibility.errors import SettingsError

MARKS: Final = ("mark", "left_mark", "right_mark")
ROLES: Final = (
    "animal_id", *MARKS, "ear", "birth_date", "birth_year", "sex", "chip", "status",
)  # fmt: skip
"""What a column may hold that a reading needs."""
EXTRA: Final = ("skin", "applied_on", "die_set", "ink", "operator", "note")
"""What a column may hold that only the herd's record keeps."""
ABOUT: Final = ("sheet", "header", "dates", "rows")
"""What may be said of the table as a whole: its sheet, the header's line (0: none), the order of
day, month and year, and whether only the rows that can be used are taken."""
USABLE: Final = "usable"
"""``rows=usable``: what breaks a rule is left out, and named each time."""
ORDERS: Final = ("dmy", "mdy", "ymd")
KEYS: Final = (*ROLES, *EXTRA, *ABOUT)

_PART: Final = re.compile(r'\s*([A-Za-z_]+)\s*=\s*(?:"((?:[^"]|"")*)"|([^,"]*))\s*(?:,|$)')
LONGEST: Final = 4000
"""Choice: characters."""


def parse_choice(text: str, *, where: str = "--columns") -> dict[str, str]:
    """Role -> heading, letter or number of its column, and :data:`ABOUT`.

    Examples
    --------
    >>> parse_choice('animal_id=Tag, left_mark="Left tattoo"')
    {'animal_id': 'Tag', 'left_mark': 'Left tattoo'}

    Raises
    ------
    SettingsError
        If it is written otherwise, or a role is unknown or named twice.
    """
    found: dict[str, str] = {}
    place, text = 0, text[:LONGEST].strip()
    while place < len(text):
        part = _PART.match(text, place)
        if part is None or part.end() == place:
            raise SettingsError(
                f"{where}: cannot be understood at {text[place : place + 30]!r}; expected e.g. "
                'animal_id=Tag,left_mark="Left tattoo"'
            )
        key = part[1].lower()
        if key in found:
            raise SettingsError(f"{where}: {key} is there twice")
        found[key] = part[3].strip() if part[2] is None else part[2].replace('""', '"')
        place = part.end()
    return checked_choice(found, where=where)


def checked_choice(values: Mapping[str, Any], *, where: str) -> dict[str, str]:
    """The same of values that may be wrong, such as those of a file.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be one.
    """
    for key, value in values.items():
        if key not in KEYS:
            raise SettingsError(f"{where}: unknown column {key!r}; known: {', '.join(KEYS)}")
        if not isinstance(value, str | int) or isinstance(value, bool) or str(value) == "":
            raise SettingsError(f"{where}: {key} is {value!r}; expected a column's heading")
    found = {key: str(value) for key, value in values.items()}
    if found.get("dates", "dmy") not in ORDERS:
        raise SettingsError(
            f"{where}: dates is {found['dates']!r}; expected one of {', '.join(ORDERS)} (d: day, "
            "m: month, y: year)"
        )
    if found.get("rows", USABLE) != USABLE:
        raise SettingsError(
            f"{where}: rows is {found['rows']!r}; expected {USABLE} (what breaks a rule is left "
            "out, and named)"
        )
    header = found.get("header", "1")
    if not (header.isascii() and header.isdigit() and len(header) <= 6):
        raise SettingsError(
            f"{where}: header is {header!r}; expected the header's line, or 0 for none"
        )
    if "mark" in found and ("left_mark" in found or "right_mark" in found):
        raise SettingsError(f"{where}: names mark and a mark of one ear; expected one or the other")
    return found


def choice_text(choice: Mapping[str, str]) -> str:
    """The text to give with ``--columns``.

    Examples
    --------
    >>> choice_text({"animal_id": "Tag", "left_mark": "Left tattoo"})
    'animal_id=Tag,left_mark="Left tattoo"'
    """
    return ",".join(f"{key}={_quoted(value)}" for key, value in choice.items())


def _quoted(value: str) -> str:
    if re.fullmatch(r"[\w.-]+", value):
        return value
    return '"' + value.replace('"', '""') + '"'
