"""Where a table begins and ends: the line of its headings, and the rows that are no animals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from legibility.tables.headings import Heading, heading_of
from legibility.tables.plain import cell_words, is_blank, plain
from legibility.tables.sheet import Row, Sheet, rows_below, sampled

LOOKED_AT: Final = 30
"""Choice: rows with a cell among which the header is looked for."""
_STRONG: Final = 3.0
_WEAK: Final = 1.0
"""Choice: one thing that a heading surely names counts for more than all words that are known."""


@dataclass(frozen=True, slots=True)
class Header:
    """The headings of a sheet."""

    line: int
    """0: there is none."""
    headings: tuple[Heading, ...]
    before: tuple[str, ...] = ()
    """Titles above it."""
    score: float = 0.0


def header_score(cells: Sequence[str]) -> float:
    """How much a row looks like headings of a list of animals; 0: not at all."""
    headings = [heading_of(cell) for cell in cells if cell.strip()]
    if len(headings) < 2:
        return 0.0
    claims = [claim for heading in headings for claim in heading.claims if claim.strong]
    strong = {claim.role for claim in claims}
    own = {claim.role for claim in claims if claim.rank < 0}
    known = sum(heading.is_known for heading in headings)
    if not strong or sum(any(c.isdigit() for c in cell) for cell in cells) > len(headings) / 2:
        return 0.0
    return _STRONG * (len(strong) + len(own)) + _WEAK * known / len(headings)


def find_header(sheet: Sheet, line: str = "") -> Header:
    """Headings of a sheet: those of the line that a person named, or of the likeliest line."""
    rows = sampled(rows_below(sheet, 0), LOOKED_AT)
    if line == "0":
        width = max((len(cells) for _, cells in rows), default=0)
        return Header(0, tuple(heading_of("") for _ in range(width)))
    if line:
        found = [cells for number, cells in rows if number == int(line)]
        cells = found[0] if found else []
        return Header(int(line), _headings(cells), _titles(rows, int(line)), header_score(cells))
    best = max(rows, key=lambda row: header_score(row[1]), default=(0, []))
    score = header_score(best[1])
    if not score:
        filled = [row for row in rows if sum(bool(cell.strip()) for cell in row[1]) > 1]
        best = filled[0] if filled else (0, [])
    return Header(best[0], _headings(best[1]), _titles(rows, best[0]), score)


def is_total(cells: Sequence[str]) -> bool:
    """Whether a row sums up or signs off: a word for it first, most other cells empty."""
    first = next((cell for cell in cells if cell.strip()), "")
    if any(character.isdigit() for character in (first.split(None, 1) or [""])[0]):
        return False
    said = [cell for cell in cells if not is_blank(cell)]
    if not said or len(said) > max(2, (len(cells) + 1) // 2):
        return False
    kinds = cell_words("totals")
    words = plain(said[0]).split()
    return any(" ".join(words[:size]) in kinds for size in (1, 2, 3))


def heading_text(cell: str) -> str:
    """A heading without its line ends."""
    return " ".join(cell.split())


def _headings(cells: Sequence[str]) -> tuple[Heading, ...]:
    return tuple(heading_of(heading_text(cell)) for cell in cells)


def _titles(rows: Sequence[Row], line: int) -> tuple[str, ...]:
    return tuple(
        " ".join(cell.strip() for cell in cells if cell.strip())[:80]
        for number, cells in rows
        if number < line
    )
