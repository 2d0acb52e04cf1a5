"""Parts of a form: so many places of a kind, and how they are written and said."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from legibility.alphabet import CHARACTERS
from legibility.marks.check_characters import DIGITS, LETTERS
from legibility.marks.rules import character_ranges

NO_ZERO: Final = DIGITS[1:]


@dataclass(frozen=True, slots=True)
class Part:
    """Neighbouring places that allow the same."""

    allowed: str
    """Characters, in the order of ``CHARACTERS``."""
    low: int = 1
    """Fewest places."""
    high: int = 1
    role: str = ""
    """``"year"``, ``"check"`` or nothing."""


def literal(text: str) -> list[Part]:
    """Fixed characters."""
    return [Part(character) for character in text]


def number(low: int, high: int, *, zero_first: bool) -> list[Part]:
    """A number of so many figures."""
    if zero_first:
        return [Part(DIGITS, low, high)]
    first = Part(NO_ZERO)
    return [first, Part(DIGITS, low - 1, high - 1)] if high > 1 else [first]


def set_of(characters: Iterable[str]) -> str:
    """Characters in their order."""
    found = set(characters)
    return "".join(c for c in CHARACTERS if c in found)


def pattern_of(parts: Sequence[Part], excluded: str, table: str) -> str:
    """Parts of a row in the language of :mod:`legibility.marks.patterns`.

    Parameters
    ----------
    parts : sequence of Part
    excluded : str
        Characters that the herd never uses.
    table : str
        Characters of its year table.
    """
    tokens = []
    for part in joined(parts):
        token, low, high = _token(part, excluded, table), part.low, part.high
        if part.role == "check" or (low, high) == (1, 1):
            tokens.append(token)
        elif low == high and len(part.allowed) == 1 and high < 4:
            tokens.append(token * high)
        else:
            tokens.append(f"{token}{{{low}}}" if low == high else f"{token}{{{low},{high}}}")
    return "".join(tokens)


def joined(parts: Sequence[Part]) -> list[Part]:
    """The same with neighbours that allow the same as one."""
    found: list[Part] = []
    for part in parts:
        last = found[-1] if found else None
        if last and (last.allowed, last.role) == (part.allowed, part.role) and not part.role:
            found[-1] = Part(part.allowed, last.low + part.low, last.high + part.high)
        else:
            found.append(part)
    return found


def _token(part: Part, excluded: str, table: str) -> str:
    if part.role == "year" and table:
        return "{year}"
    if part.role == "check":
        return "{check}"
    if len(part.allowed) == 1:
        return part.allowed
    for sign, every in (("@", LETTERS), ("#", DIGITS), ("*", CHARACTERS)):
        if part.allowed == set_of(set(every) - set(excluded)):
            return sign
    return f"[{''.join(character_ranges(part.allowed))}]"


def words_of(parts: Sequence[Part], *, year: str = "", check: str = "") -> str:
    """Parts in words: ``HD, 1 to 3 figures not beginning with 0``."""
    parts = joined(parts)
    said: list[str] = []
    text, at = "", 0
    while at < len(parts):
        part = parts[at]
        follows = parts[at + 1] if at + 1 < len(parts) else None
        if not part.role and len(part.allowed) == 1 and part.low == part.high:
            text += part.allowed * part.low
        else:
            said, text = [*said, *([text] if text else [])], ""
            if part.allowed == NO_ZERO and part.high == 1 and not part.role:
                more = follows if follows and follows.allowed == DIGITS else Part(DIGITS, 0, 0)
                at += more.high > 0
                figures = _counted(1 + more.low, 1 + more.high, "figure")
                said.append(f"{figures} not beginning with 0")
            else:
                said.append(_said(part, year, check))
        at += 1
    return ", ".join([*said, *([text] if text else [])])


def _said(part: Part, year: str, check: str) -> str:
    if part.role == "year":
        return f"the year's {'figure' if part.allowed.isdigit() else 'letter'} ({year})"
    if part.role == "check":
        return f"check character ({check})"
    if part.allowed.isdigit():
        what, every = "figure", DIGITS
    elif part.allowed.isalpha():
        what, every = "letter", LETTERS
    else:
        what, every = "letter or figure", CHARACTERS
    counted = _counted(part.low, part.high, what)
    missing = [c for c in every if c not in part.allowed]
    if not missing:
        return counted
    if len(missing) <= 6:
        return f"{counted} (never {' '.join(missing)})"
    return f"{counted} of {' '.join(character_ranges(part.allowed))}"


def _counted(low: int, high: int, what: str) -> str:
    if low == high == 1:
        return f"a {what}"
    plural = "letters or figures" if " or " in what else f"{what}s"
    if low == high:
        return f"{low} {plural}"
    return f"{low} {'or' if high == low + 1 else 'to'} {high} {plural}"
