"""The small language in which a row of a mark is described, place by place.

=============  ==================================================================
``A``, ``7``   that character
``@``          any letter in use
``#``          any digit in use
``*``          any character in use
``[AC1-4]``    one of these characters (also those not in use otherwise)
``{4}``        the place before, four times
``{1,4}``      the place before, one to four times
``{prefix}``   the herd's prefix
``{year}``     the character of the year of birth
``{check}``    the check character (two, where the scheme has two); the mark's end
``|``          or: another pattern for the same row
=============  ==================================================================

Examples
--------
``@{3,4}[1-9]#{0,3}{year}``: three or four letters, a number of up to four figures that does not
begin with 0, the year's letter.
"""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass
from typing import Final

from legibility.alphabet import CHARACTERS, LONGEST_ROW

MAX_ROW_SHAPES: Final = 400
"""Choice: most ways in which repeats and alternatives may spell one row."""

_TOKEN: Final = re.compile(
    r"(?P<set>\[[^\]]*\])|\{(?P<field>prefix|year|check)\}|\{(?P<low>\d{1,2})(?:,(?P<high>\d{1,2}))?\}"
    r"|(?P<one>[A-Z0-9@#*])"
)


@dataclass(frozen=True, slots=True)
class Place:
    """One character of a row."""

    allowed: str
    """Characters that may stand here, in the order of ``alphabet.CHARACTERS``."""
    role: str = ""
    """``"prefix"``, ``"year"``, ``"check"`` or nothing."""


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """What the words of the language mean in a herd."""

    in_use: str
    """Characters in use."""
    prefix: str = ""
    year: str = ""
    """Characters of the year table; empty when none is named."""
    check: str = ""
    """Check characters that may be pressed; empty when no scheme is named."""
    check_length: int = 0


def row_shapes(pattern: str, vocabulary: Vocabulary) -> tuple[tuple[Place, ...], ...]:
    """Every different row of places that a pattern describes, shortest first.

    Raises
    ------
    ValueError
        If the pattern cannot be understood, uses a word that has no meaning in this herd, or
        describes no row of 1 to ``LONGEST_ROW`` characters.
    """
    found: dict[tuple[Place, ...], None] = {}
    for alternative in pattern.split("|"):
        parts = _parts(alternative, pattern, vocabulary)
        repeats = [range(low, high + 1) for _, low, high in parts]
        ways = 1
        for repeat in repeats:
            ways *= len(repeat)
        if ways + len(found) > MAX_ROW_SHAPES:
            raise ValueError(f"{pattern!r} describes more than {MAX_ROW_SHAPES} kinds of rows")
        for counts in itertools.product(*repeats):
            row = tuple(
                place
                for (places, _, _), n in zip(parts, counts, strict=True)
                for place in places * n
            )
            if len(row) > LONGEST_ROW:
                raise ValueError(
                    f"{pattern!r} describes a row of {len(row)} characters; a row has at most "
                    f"{LONGEST_ROW}"
                )
            if row:
                found[row] = None
    if not found:
        raise ValueError(f"{pattern!r} describes no row")
    return tuple(sorted(found, key=len))


def _parts(
    alternative: str, pattern: str, vocabulary: Vocabulary
) -> list[tuple[tuple[Place, ...], int, int]]:
    """Places with the least and most times they are repeated."""
    parts: list[tuple[tuple[Place, ...], int, int]] = []
    at, repeatable = 0, False
    while at < len(alternative):
        token = _TOKEN.match(alternative, at)
        if token is None:
            raise ValueError(
                f"{pattern!r} cannot be understood from {alternative[at:][:20]!r} on; expected "
                "A-Z, 0-9, @ # *, [..], {prefix}, {year}, {check}, or {n} or {n,m} after a place"
            )
        if token["low"] is not None:
            low = int(token["low"])
            high = int(token["high"]) if token["high"] else low
            if not repeatable:
                raise ValueError(f"{pattern!r}: {token[0]} follows nothing that can be repeated")
            if not low <= high <= LONGEST_ROW or high < 1:
                raise ValueError(
                    f"{pattern!r}: {token[0]} is no number of times; expected {{n}} or {{n,m}} "
                    f"with n <= m and m from 1 to {LONGEST_ROW}"
                )
            parts[-1] = (parts[-1][0], low, high)
            repeatable = False
        else:
            places = _places(token, pattern, vocabulary)
            parts.append((places, 1, 1))
            repeatable = token["field"] is None
        at = token.end()
    return parts


def _places(token: re.Match[str], pattern: str, vocabulary: Vocabulary) -> tuple[Place, ...]:
    if token["set"] is not None:
        return (Place(_members(token["set"][1:-1], pattern)),)
    if token["field"] == "prefix":
        if not vocabulary.prefix:
            raise ValueError(f"{pattern!r} has {{prefix}}, but no prefix is given")
        return tuple(Place(character, "prefix") for character in vocabulary.prefix)
    if token["field"] == "year":
        return (Place(_ordered(vocabulary.year), "year"),)
    if token["field"] == "check":
        if not vocabulary.check_length:
            raise ValueError(f"{pattern!r} has {{check}}, but no check is named")
        return (Place(_ordered(vocabulary.check), "check"),) * vocabulary.check_length
    one = token["one"]
    if one in CHARACTERS:
        return (Place(one),)
    wanted = {"@": str.isalpha, "#": str.isdigit, "*": str.isalnum}[one]
    allowed = "".join(c for c in CHARACTERS if c in vocabulary.in_use and wanted(c))
    if not allowed:
        raise ValueError(f"{pattern!r}: no character in use is left for {one!r}")
    return (Place(allowed),)


def _members(text: str, pattern: str) -> str:
    """Characters of a set such as ``AC1-4``."""
    members = set()
    for first, dash, last in re.findall(r"([A-Z0-9])(?:(-)([A-Z0-9]))?", text):
        a, b = CHARACTERS.index(first), CHARACTERS.index(last or first)
        if dash and (b < a or first.isdigit() != last.isdigit()):
            raise ValueError(f"{pattern!r}: {first}-{last} is no range")
        members |= set(CHARACTERS[a : b + 1])
    if not members or not re.fullmatch(r"(?:[A-Z0-9](?:-[A-Z0-9])?)+", text):
        raise ValueError(f"{pattern!r}: [{text}] is no set; expected for instance [AC1-4]")
    return _ordered("".join(members))


def _ordered(characters: str) -> str:
    return "".join(character for character in CHARACTERS if character in characters)
