"""Text of headings and cells without what people write differently: case, accents, punctuation."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from functools import lru_cache
from importlib.resources import files
from typing import Any, Final

_LETTERS: Final = str.maketrans({"ß": "ss", "ø": "o", "æ": "ae", "ł": "l", "đ": "d", "œ": "oe"})
_SIGNS: Final = str.maketrans({"#": " n ", "№": " n ", "°": " ", "º": " ", "ª": " "})
_CAMEL: Final = re.compile(r"(?<=[a-z0-9])(?=[A-Z])")
_WORD: Final = re.compile(r"[a-z]+|\d+")
LONGEST: Final = 200
"""Choice: characters of a heading or cell that are looked at."""
DASHES: Final = "-‐‑‒–—−"
"""Hyphens and dashes that keyboards and spreadsheets write for one another."""


def plain(text: str) -> str:
    """Lower case, without accents, each run of other signs one blank.

    Examples
    --------
    >>> plain("Tätowierung_links (Nº)"), plain("leftEar")
    ('tatowierung links n', 'leftear')
    """
    lower = text[:LONGEST].translate(_SIGNS).casefold().translate(_LETTERS)
    bare = unicodedata.normalize("NFKD", lower)
    kept = "".join(c for c in bare if not unicodedata.combining(c))
    return " ".join(_WORD.findall(kept))


def words_of(heading: str) -> tuple[str, ...]:
    """Words of a heading; ``leftEar`` has two.

    Examples
    --------
    >>> words_of("leftEar"), words_of("Geb.-Datum")
    (('left', 'ear'), ('geb', 'datum'))
    """
    return tuple(plain(_CAMEL.sub(" ", heading[:LONGEST])).split())


def is_blank(text: str) -> bool:
    """Whether a cell says nothing: empty, or only dashes."""
    return not text.strip(" \t\r\n\u00a0\u202f" + DASHES)


@lru_cache(maxsize=4)
def data_of(name: str) -> dict[str, Any]:
    """A word list of this package."""
    text = files("legibility.tables").joinpath("data", name).read_text(encoding="utf-8")
    return tomllib.loads(text)


@lru_cache(maxsize=16)
def cell_words(group: str) -> dict[str, str]:
    """Plain word of a cell -> what it means, e.g. ``links`` -> ``left`` of the group ``ear``."""
    kinds: dict[str, list[str]] = data_of("words.toml")[group]
    return {word: kind for kind, words in kinds.items() for word in words}
