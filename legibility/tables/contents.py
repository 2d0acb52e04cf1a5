"""What the cells of a column look like, whatever stands above them."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from legibility.alphabet import LONGEST_ROW
from legibility.tables.dates import looks_dated, looks_like_year
from legibility.tables.plain import DASHES, cell_words, is_blank, plain

MOST: Final = 0.9
"""Choice: share of cells from which on a column is of a kind."""
MANY: Final = 0.5
"""Choice: share from which on a heading and its cells contradict each other."""
EXPONENT: Final = re.compile(r"\d(?:[.,]\d+)?E\+\d+", re.IGNORECASE)
"""What a spreadsheet leaves of a long number."""
_SEPARATORS: Final = re.compile(rf"[\s.{re.escape(DASHES)}]")
MARK: Final = re.compile(rf"[A-Za-z0-9]{{1,{LONGEST_ROW}}}(?:/[A-Za-z0-9]{{1,{LONGEST_ROW}}})?")
"""A well-formed mark before it is put in upper case (ASCII only: some other letters have an
upper-case form inside A-Z)."""
_LARGEST_NATIONAL: Final = 2**38 - 1
"""ISO 11784: 38 bits of a transponder's number stand for the animal."""
_OFFICIAL: Final = re.compile(r"[A-Z]{2}\d{8,12}|\d{9,14}")
"""Implementing Regulation (EU) 2021/520, Article 12: two letters or three digits of the country
and up to twelve digits."""


@dataclass(frozen=True, slots=True)
class Contents:
    """Shares, 0 to 1, of the cells that say something."""

    filled: float
    """Of all cells."""
    distinct: float
    n: int
    """Cells that say something."""
    kinds: int
    """Different texts."""
    marks: float
    """Could be a mark: up to two rows of letters and figures."""
    figures: float
    """Have a figure."""
    chips: float
    """15 digits as a transponder's."""
    cut: float
    """Numbers cut by a spreadsheet, 9.85E+14."""
    official: float
    dates: float
    years: float
    ears: float
    sexes: float
    statuses: float
    answers: float
    """Yes or no."""
    examples: tuple[str, ...] = ()
    longest: int = 0
    """Characters of a cell that could be a mark, at most, without blanks."""
    typical: int = 0
    """Median number of characters."""
    counts_up: bool = False
    """Whether it is 1, 2, 3, ..."""


def contents_of(texts: Sequence[str]) -> Contents:
    """Look at the cells of a column."""
    said = [text.strip() for text in texts if not is_blank(text)]
    n = max(len(said), 1)

    def share(fits: Callable[[str], bool]) -> float:
        return sum(map(fits, said)) / n

    bare = [_SEPARATORS.sub("", text) for text in said]
    lengths = sorted(len(text.replace("/", "")) for text in bare) or [0]
    whole = [int(t) for t in said if t.isascii() and t.isdigit() and len(t) <= 7]
    counts_up = len(whole) == len(said) >= 3 and whole == list(
        range(whole[0], whole[0] + len(whole))
    )
    return Contents(
        filled=len(said) / max(len(texts), 1),
        distinct=len({text.casefold() for text in said}) / n,
        n=len(said),
        kinds=len({plain(text) for text in said}),
        marks=sum(MARK.fullmatch(t) is not None for t in bare) / n,
        figures=share(lambda t: any(c.isdigit() for c in t)),
        chips=sum(map(is_chip, bare)) / n,
        cut=share(lambda t: EXPONENT.fullmatch(t) is not None),
        official=sum(_OFFICIAL.fullmatch(t.upper()) is not None for t in bare) / n,
        dates=share(looks_dated),
        years=share(looks_like_year),
        ears=share(_of("ear")),
        sexes=share(_of("sex")),
        statuses=share(_of("status")),
        answers=share(_of("yes_no")),
        examples=tuple(dict.fromkeys(said))[:3],
        longest=lengths[-1],
        typical=lengths[len(lengths) // 2],
        counts_up=counts_up,
    )


def is_chip(text: str) -> bool:
    """Whether a text is 15 digits that a transponder can have.

    ISO 11784: a country (ISO 3166-1 numeric, 001 to 899) or manufacturer (900 to 999, from memory)
    and a number of 38 bits.
    """
    return (
        len(text) == 15
        and text.isascii()
        and text.isdigit()
        and int(text[:3]) > 0
        and int(text[3:]) <= _LARGEST_NATIONAL
    )


def _of(group: str) -> Callable[[str], bool]:
    words = cell_words(group)
    return lambda text: plain(text) in words
