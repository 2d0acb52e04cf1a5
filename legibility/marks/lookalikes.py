"""Characters of other scripts that look like those of a mark."""

from __future__ import annotations

import unicodedata
from typing import Final

from legibility.alphabet import CHARACTERS

_CYRILLIC: Final = dict(zip("АВЕЗКМНОРСТУХЅІЈԚԜ", "ABE3KMHOPCTYXSIJQW", strict=True))
_GREEK: Final = dict(zip("ΑΒΕΖΗΙΚΜΝΟΡΤΥΧ", "ABEZHIKMNOPTYX", strict=True))
_TWINS: Final = _CYRILLIC | _GREEK
"""Capitals drawn alike; a part of the confusables of Unicode Technical Standard 39."""


def plain_twin(character: str) -> str:
    """The character of a mark that another one looks like; empty when none does.

    Examples
    --------
    >>> plain_twin("\\u0412"), plain_twin("\\uff18"), plain_twin("!")
    ('B', '8', '')
    """
    folded = unicodedata.normalize("NFKC", character).upper()
    twin = _TWINS.get(folded, folded)
    return twin if len(twin) == 1 and twin in CHARACTERS else ""


def describe_foreign(character: str) -> str:
    """A character that cannot be in a mark, by name, with what it looks like.

    Examples
    --------
    >>> describe_foreign("\\u0412")
    "'В' (CYRILLIC CAPITAL LETTER VE, U+0412), which looks like B but is not"
    """
    if character.isascii():
        return repr(character)
    name = unicodedata.name(character, "no name")
    shown = f"{ascii(character) if not character.isprintable() else repr(character)}"
    text = f"{shown} ({name}, U+{ord(character):04X})"
    twin = plain_twin(character)
    return f"{text}, which looks like {twin} but is not" if twin else text
