"""What the heading of a column says that the column holds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from legibility.tables.choice import EXTRA, ROLES
from legibility.tables.plain import cell_words, data_of, words_of

OWN: Final = (*ROLES, *EXTRA)
_SHORTEST_PART: Final = 2
"""Choice: letters of a known word inside another, ``nr``."""
_SHORTEST_ENDING: Final = 4
"""Choice: letters of a beginning that may end a word, ``lefttattoonumber``."""
_LONGEST_PHRASE: Final = 3
"""Choice: words; no phrase of the list is longer."""


@dataclass(frozen=True, slots=True)
class Claim:
    """A role that a heading speaks for."""

    role: str
    strong: bool
    """Whether it says so by itself; otherwise the cells or a person have to agree."""
    rank: int = 0
    """Among identifiers: the lower goes first."""
    why: str = ""


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading and what it speaks for."""

    text: str
    claims: tuple[Claim, ...]
    kinds: frozenset[str]
    """Concepts of ``headings.toml`` in it."""
    excluded: str = ""
    """Why it holds nothing of use, in words."""

    @property
    def is_known(self) -> bool:
        """Whether any of its words is known."""
        return bool(self.kinds or self.claims)


@lru_cache(maxsize=2048)
def heading_of(text: str) -> Heading:
    """Understand one heading.

    Examples
    --------
    >>> [claim.role for claim in heading_of("Tätowierung links").claims]
    ['left_mark']
    """
    own = text.strip().lower()
    if own in OWN:
        rank = -1 if "_" in own else 0
        return Heading(text, (Claim(own, True, rank, f"its heading is {own}"),), frozenset({own}))
    words = words_of(text)
    kinds = _kinds(words)
    excluded = _excluded(kinds)
    if excluded:
        return Heading(text, (), kinds, excluded)
    return Heading(text, tuple(_claims(kinds, words)), kinds)


def _lettered_sides(words: tuple[str, ...]) -> set[str]:
    """Ears that one or two letters stand for; only of use where the table has one of each side."""
    sides = cell_words("ear")
    return {sides[word] for word in words if len(word) <= 2 and word in sides} - {"both"}


@lru_cache(maxsize=1)
def _lexicon() -> tuple[dict[str, frozenset[str]], tuple[tuple[str, str], ...]]:
    """Words and phrases -> concepts, and beginnings of words with their concept."""
    whole: dict[str, set[str]] = {}
    begun = []
    for kind, words in data_of("headings.toml").items():
        for word in words:
            if word.endswith("*"):
                begun.append((word[:-1], kind))
                whole.setdefault(word[:-1], set()).add(kind)
            else:
                whole.setdefault(word, set()).add(kind)
    return {w: frozenset(k) for w, k in whole.items()}, tuple(begun)


def _kinds(words: tuple[str, ...]) -> frozenset[str]:
    found: set[str] = set()
    whole, _ = _lexicon()
    place = 0
    while place < len(words):
        for size in range(min(_LONGEST_PHRASE, len(words) - place), 1, -1):
            phrase = " ".join(words[place : place + size])
            if phrase in whole:
                found |= whole[phrase]
                place += size
                break
        else:
            found |= _word_kinds(words[place])
            place += 1
    return frozenset(found)


def _word_kinds(word: str) -> frozenset[str]:
    whole, begun = _lexicon()
    for form in (word, word.removesuffix("s"), word.removesuffix("es"), word.removesuffix("n")):
        if form in whole:
            return whole[form]
    longest = max(((b, k) for b, k in begun if word.startswith(b)), default=("", ""), key=_length)
    if longest[0]:
        rest = _kinds_within(word[len(longest[0]) :])
        return frozenset({longest[1]}) | rest
    return _kinds_within(word)


def _length(item: tuple[str, str]) -> int:
    return len(item[0])


def _kinds_within(word: str) -> frozenset[str]:
    """Concepts of a word that known words make up without a rest, ``lefttattoo``."""
    if len(word) < 2 * _SHORTEST_PART:
        return frozenset()
    whole, begun = _lexicon()
    ways: dict[int, frozenset[str]] = {0: frozenset()}
    for end in range(_SHORTEST_PART, len(word) + 1):
        for start in sorted(ways):
            part = word[start:end]
            known = len(part) >= 3 or part in ("no", "nr", "id")
            if known and part in whole and end not in ways:
                ways[end] = ways[start] | whole[part]
    for start in sorted(ways)[1:]:
        for beginning, kind in begun:
            if len(beginning) >= _SHORTEST_ENDING and word.startswith(beginning, start):
                return ways[start] | {kind}
    return ways.get(len(word), frozenset())


def _excluded(kinds: frozenset[str]) -> str:
    if "parent" in kinds:
        return "speaks of another animal (parent or young)"
    if "old" in kinds and kinds & {"tattoo", "mark", "tag", "id", "number"}:
        return "speaks of an earlier mark or number"
    if kinds & {"event"} and not kinds & {"status"}:
        return "speaks of an event"
    if "running" in kinds and not kinds & {"tattoo", "tag", "animal"}:
        return "is a running number"
    if "other" in kinds and not kinds & {"status"}:
        ink = kinds & {"tattoo", "mark"} and kinds & {"ink"}
        return "" if ink else "speaks of something else"
    return ""


def _claims(kinds: frozenset[str], words: tuple[str, ...]) -> Iterable[Claim]:
    if len(words) == 1 and _lettered_sides(words):
        kinds -= {"date"}  # LE alone is the left ear; French le needs a word before it.
    marked = kinds & {"tattoo", "mark"}
    when = kinds & {"date", "year"} - ({"date"} if "birth" in kinds else set())
    said = "its heading says " + "tattoo" if "tattoo" in kinds else "its heading says mark"
    if "chip" in kinds:
        if not when:
            yield Claim("chip", True, why="its heading names a transponder")
        return
    if marked:
        if "date" in kinds or "year" in kinds:
            yield Claim("applied_on", False, why="its heading names a date beside the mark")
        elif "by" in kinds:
            yield Claim("operator", True, why="its heading says who marked")
        elif "ink" in kinds:
            yield Claim("ink", True, why="its heading names ink")
        elif "left" in kinds and "right" not in kinds:
            yield Claim("left_mark", True, why=said + ", left")
        elif "right" in kinds and "left" not in kinds:
            yield Claim("right_mark", True, why=said + ", right")
        elif len(letter := _lettered_sides(words)) == 1:
            yield Claim(f"{letter.pop()}_mark", False, rank=1, why=said + ", with a letter")
        elif kinds & {"side", "ear"}:
            yield Claim("ear", True, why="its heading names the mark and ear")
            yield Claim("mark", "ear" in kinds, why=said)
        else:
            yield Claim("mark", True, why=said)
        return
    if "birth" in kinds:
        if "year" in kinds or "jahrgang" in " ".join(words):
            yield Claim("birth_year", True, why="its heading names the year of birth")
        yield Claim("birth_date", True, why="its heading names birth")
        return
    if "sex" in kinds:
        yield Claim("sex", True, why="its heading names the sex")
    if "status" in kinds:
        yield Claim("status", True, why="its heading names the status")
    if "note" in kinds:
        yield Claim("note", True, why="its heading names remarks")
    if when and not kinds & {"tag", "animal", "id", "official", "book", "name"}:
        if "year" in kinds:
            yield Claim("birth_year", False, why="its heading names a year")
        return
    yield from _sides(kinds, words)
    yield from _identifiers(kinds)


def _sides(kinds: frozenset[str], words: tuple[str, ...]) -> Iterable[Claim]:
    """Headings that name an ear without saying what is in it."""
    sides = _lettered_sides(words) | (kinds & {"left", "right"})
    rest = kinds - {"left", "right", "ear", "side", "number", "loose_mark", "ear_number"}
    if rest or kinds & {"tag"}:
        return
    if len(sides) == 1 and (kinds & {"left", "right"} or len(words) <= 2):
        strong = bool(kinds & {"ear", "ear_number", "loose_mark"} and kinds & {"left", "right"})
        yield Claim(f"{sides.pop()}_mark", strong, rank=1, why="its heading names an ear")
    elif not sides and kinds & {"ear", "side"}:
        yield Claim("ear", True, why="its heading names the ear")
        yield Claim("mark", False, why="its heading names the ear")
    elif not sides and kinds & {"loose_mark", "ear_number"}:
        yield Claim("mark", False, why="its heading may name a mark")


_IDENTIFIERS: Final = (
    ({"name"}, 4, "a name"),
    ({"tag"}, 1, "an ear tag"),
    ({"official"}, 1, "an official number"),
    ({"book"}, 2, "a herd book"),
    ({"work"}, 3, "a working number"),
)


def _identifiers(kinds: frozenset[str]) -> Iterable[Claim]:
    """Headings that may name the animal."""
    if kinds & {"date", "year", "note", "status", "sex", "ear", "side"} and not kinds & {"tag"}:
        return
    if kinds & {"left", "right"} and not kinds & {"tag"}:
        return
    if "animal" in kinds and kinds & {"id", "number"} and not kinds & {"name", "work"}:
        yield Claim("animal_id", True, 0, "its heading names the animal")
        return
    for wanted, rank, what in _IDENTIFIERS:
        if wanted <= kinds:
            yield Claim("animal_id", True, rank, f"its heading names {what}")
            return
    if "animal" in kinds:
        yield Claim("animal_id", True, 0, "its heading names the animal")
    elif "id" in kinds:
        yield Claim("animal_id", True, 1, "its heading names an identifier")
    elif kinds & {"number", "loose_mark", "ear_number"}:
        yield Claim("animal_id", False, 5, "its heading names a number")
