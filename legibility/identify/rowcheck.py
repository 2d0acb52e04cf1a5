"""Checks of single registry fields: each returns the value to keep and what is wrong with it."""

from __future__ import annotations

import re
from datetime import date
from functools import lru_cache
from typing import Final

from legibility.alphabet import CHARACTERS, LONGEST_ROW, ROW_SEPARATOR, split_mark
from legibility.marks.lookalikes import describe_foreign
from legibility.marks.rules import Rules
from legibility.tables.contents import EXPONENT, MARK
from legibility.tables.plain import DASHES, cell_words

FIRST_YEAR: Final = 1900
LAST_YEAR: Final = 2100
"""Choice: a birth outside these years is a slip of the pen."""
LONGEST_FIELD: Final = 200
"""Choice: characters in one field; more is a broken file."""

_MEANINGLESS: Final = re.compile(rf"[ \u00a0\u202f.{re.escape(DASHES)}]+")
"""Common practice, no source: blanks, dots and hyphens set characters of a mark apart on paper and
are not in the ear."""
_DAY: Final = re.compile(r"\d{4}-\d\d?-\d\d?(?: .*)?|\d\d?[.\-]\d\d?[.\-](?:19|20)\d\d")
_DECIMAL: Final = re.compile(r"\d+\.0+")
CONTROL: Final = re.compile(r"[\x00-\x1f\x7f]")
"""What no field may hold: a line end or other control character."""
_EARS: Final = {
    "": "",
    "l": "left",
    "left": "left",
    "r": "right",
    "right": "right",
    "b": "both",
    "both": "both",
}


def check_mark(
    text: str, rules: Rules | None, *, ear: str = "", birth_year: int = 0
) -> tuple[str, str]:
    """Mark in upper case, and what is wrong with it ("" = nothing).

    Blanks, dots and hyphens say nothing: ``hd-782``, ``HD 782`` and ``HD.782`` are ``HD782``; only
    ``/`` says where a row ends. What a spreadsheet made of a mark is named. With rules also whether
    it may be in this ear (``""``: not known), and whether its year letter agrees with the year of
    birth (0: not known).
    """
    mark = text.strip()
    if mark.upper() in no_mark_words():
        return "", f"mark {mark!r} is a word, no mark; leave the cell empty"
    if not MARK.fullmatch(mark):
        bare = _MEANINGLESS.sub("", mark)
        problem = _spreadsheet_problem(mark)
        if problem or not MARK.fullmatch(bare):
            return "", problem or _mark_problem(mark, bare)
        mark = bare
    mark = mark.upper()
    return mark, _rule_problem(mark, rules, ear, birth_year) if rules else ""


@lru_cache(maxsize=1)
def no_mark_words() -> frozenset[str]:
    """Words in upper case by which lists say that there is no mark, or that it cannot be read."""
    return frozenset(word.upper() for word in cell_words("no_mark"))


def _rule_problem(mark: str, rules: Rules, ear: str, birth_year: int) -> str:
    """Why a mark breaks the rules in every layout it may have; of those, as it is written."""
    problem = rules.problem(mark, ear=ear, birth_year=birth_year)
    if not problem or ROW_SEPARATOR in mark or rules.max_rows < 2:
        return problem
    broken = (mark[:k] + ROW_SEPARATOR + mark[k:] for k in range(1, len(mark)))
    if any(not rules.problem(one, ear=ear, birth_year=birth_year) for one in broken):
        return ""
    return problem


def check_text(name: str, text: str) -> tuple[str, str]:
    """Text without surrounding spaces, and what is wrong with it."""
    value = text.strip()
    if len(value) > LONGEST_FIELD:
        return "", f"{name} has {len(value)} characters; expected at most {LONGEST_FIELD}"
    if CONTROL.search(value):
        return "", f"{name} {value!r} has a control character"
    return value, ""


def check_ear(text: str) -> tuple[str, str]:
    """``left``, ``right``, ``both`` or nothing, and what is wrong with it."""
    value = _EARS.get(text.strip().lower())
    if value is None:
        return "", f"ear is {text.strip()[:40]!r}; expected left, right, both or nothing"
    return value, ""


def check_birth(birth_date: str, birth_year: str) -> tuple[int, str]:
    """Year of birth (0 = not recorded), and what is wrong with it."""
    birth_date, birth_year = birth_date.strip(), birth_year.strip()
    year = 0
    if birth_year:
        if not (birth_year.isascii() and birth_year.isdigit() and len(birth_year) == 4):
            return 0, f"birth_year is {birth_year[:40]!r}; expected four digits"
        year = int(birth_year)
    if birth_date:
        try:
            if len(birth_date) != 10:
                raise ValueError
            from_date = date.fromisoformat(birth_date).year
        except ValueError:
            return 0, f"birth_date is {birth_date[:40]!r}; expected YYYY-MM-DD"
        if year and year != from_date:
            return 0, f"birth_year is {year} but birth_date is {birth_date}"
        year = from_date
    if year and not FIRST_YEAR <= year <= LAST_YEAR:
        return 0, f"year of birth is {year}; expected {FIRST_YEAR} to {LAST_YEAR}"
    return year, ""


def _spreadsheet_problem(mark: str) -> str:
    """What a spreadsheet has made of a mark, in words."""
    shown = mark[:40]
    if EXPONENT.fullmatch(mark):
        return (
            f"mark {shown!r} is what a spreadsheet leaves of a long number or of a mark such as "
            "3E10; set the column to text and enter it again"
        )
    if _DAY.fullmatch(mark):
        return (
            f"mark {shown!r} is a day; spreadsheets turn marks such as MAR1 or 1-2 into days: set "
            "the column to text and enter it again"
        )
    if _DECIMAL.fullmatch(mark):
        return f"mark {shown!r} is a number with decimals; expected {mark.split('.')[0]}"
    return ""


def _mark_problem(mark: str, bare: str) -> str:
    if not bare:
        return f"mark {mark[:40]!r} has no character" if mark else "mark is empty"
    shown = mark[:40]
    for character in bare:
        known = character.isascii() and character.upper() in CHARACTERS
        if not known and character != "/":
            foreign = describe_foreign(character)
            return f"mark {shown!r} has {foreign}; expected A-Z, 0-9 and one / between rows"
    try:
        rows = split_mark(bare.upper())
    except ValueError as error:
        return str(error)[:200]
    longest = max(len(row) for row in rows)
    return f"mark {shown!r} has a row of {longest} characters; expected at most {LONGEST_ROW}"
