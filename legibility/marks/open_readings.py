"""Marks as people write them down: ``?`` for a place not read, ``[8B]`` for one of several."""

from __future__ import annotations

import re
from typing import Final

from legibility.alphabet import CHARACTERS, ROW_SEPARATOR, UNREAD
from legibility.marks.lookalikes import describe_foreign

OPEN_SET: Final = re.compile(r"\[([A-Z0-9]{2,})\]")
"""One of several characters."""
NOTHING: Final = "-"
"""Nothing can be read."""


def clean_reading(text: str) -> tuple[str, str]:
    """A reading in capitals without blanks, and what is wrong with it.

    Examples
    --------
    >>> clean_reading(" ab/1?3 "), clean_reading("1[b8]")
    (('AB/1?3', ''), ('1[8B]', ''))
    """
    # Some letters outside A-Z have a capital inside it: they are kept, and found below.
    reading = "".join(c.upper() if c.isascii() else c for c in "".join(text.split()))
    if not reading or reading == NOTHING:
        return reading, ""
    reading = OPEN_SET.sub(lambda found: f"[{''.join(sorted(set(found[1])))}]", reading)
    rows = OPEN_SET.sub(UNREAD, reading).split(ROW_SEPARATOR)
    if len(rows) > 2 or not all(rows):
        return reading, f"reading {reading!r} has an empty row or more than two"
    wrong = sorted({c for row in rows for c in row if c not in CHARACTERS + UNREAD})
    if wrong:
        what = describe_foreign(wrong[0])
        return reading, f"reading {reading!r} has {what}; expected A-Z, 0-9, ?, [8B] and /"
    return reading, ""


def reading_rows(reading: str) -> tuple[tuple[str, ...], ...]:
    """Characters that each place of a cleaned reading may be; all of them for ``?``.

    Examples
    --------
    >>> reading_rows("K[8B]/7")
    (('K', '8B'), ('7',))
    """
    if not reading or reading == NOTHING:
        return ()
    rows = []
    for row in reading.split(ROW_SEPARATOR):
        places = re.findall(r"\[([A-Z0-9]+)\]|(.)", row)
        rows.append(
            tuple(
                CHARACTERS if single == UNREAD else several or single for several, single in places
            )
        )
    return tuple(rows)
