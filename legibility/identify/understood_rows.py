"""Rows of a table in this program's own words: days, ears, sexes and states as it writes them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import islice
from typing import Final

from legibility.identify.row_problems import Problems
from legibility.tables.choice import EXTRA, MARKS, ROLES
from legibility.tables.contents import EXPONENT, is_chip
from legibility.tables.dates import read_birth
from legibility.tables.header_row import heading_text, is_total
from legibility.tables.plain import DASHES, cell_words, is_blank, plain
from legibility.tables.sheet import BrokenRow, Sheet, letters, rows_below
from legibility.tables.understanding import Understood

TALLEST_MERGE: Final = 10_000
"""Choice: rows of one merged range that are looked at one by one."""
TOTALS_NAMED: Final = 5
"""Choice: lines that are no animals named one by one."""


@dataclass(slots=True)
class OwnRows:
    """Reads an understood table row by row."""

    found: Understood
    problems: Problems
    notices: list[str] = field(default_factory=list)
    extra: dict[int, dict[str, str]] | None = None
    """Where the cells that only the record keeps are put, by line; None: they are left out."""

    @property
    def header(self) -> list[str]:
        """Names of the cells of each row."""
        roles = [column.role for column in self.found.columns if column.role in ROLES]
        if "birth_date" in roles and "birth_year" not in roles:
            roles.append("birth_year")
        return roles

    def batches(self, size: int) -> Iterator[tuple[list[int], list[list[str]]]]:
        """Lines and rows, so many at a time; what is wrong with single cells is reported."""
        animals = self._animals()
        while found := list(islice(animals, size)):
            lines = [line for line, _ in found]
            yield lines, self._own(lines, [cells for _, cells in found])

    def _animals(self) -> Iterator[tuple[int, list[str]]]:
        """Rows that are animals; sums at the end are told and left out."""
        found, sheet = self.found, self.found.sheet
        width = len(found.header.headings)
        marks = [column.place for column in found.columns if column.role in MARKS]
        faults = _faults(sheet, found)
        first = found.columns[0]
        lead = first.heading.split(" ", 1)[0]
        held: list[tuple[int, list[str]]] = []
        try:
            for line, as_read in rows_below(sheet, found.header.line):
                cells = as_read if len(as_read) == width else self._fitted(line, as_read, width)
                if cells is None:
                    continue
                if cells[first.place].lstrip().startswith(lead) and self._is_header(cells):
                    self.notices.append(f"{sheet.place(line)}: the headings again, no animal")
                    continue
                row = (line, cells)
                if is_total(cells) and not any(c.isalpha() for p in marks for c in cells[p]):
                    held.append(row)
                    continue
                for kept in (*held, row):
                    self._report_faults(kept[0], faults)
                    yield kept
                held = []
        except BrokenRow as error:
            self.problems.add(error.line, "", f"{error.problem}; the rest was not looked at")
        for line, cells in held[:TOTALS_NAMED]:
            said = " ".join(cell.strip() for cell in cells if cell.strip())[:60]
            self.notices.append(f"{sheet.place(line)}: {said!r} is no animal (a sum or a footer)")
        if len(held) > TOTALS_NAMED:
            self.notices.append(f"{len(held) - TOTALS_NAMED} more such lines at the end")

    def _is_header(self, cells: Sequence[str]) -> bool:
        """Whether a row repeats the headings, as printed lists do on each page."""
        return all(
            cells[column.place].strip() and heading_text(cells[column.place]) == column.heading
            for column in self.found.columns
        )

    def _fitted(self, line: int, cells: list[str], width: int) -> list[str] | None:
        """A row as wide as the header; None when it cannot be one."""
        if len(cells) > width and not any(cell.strip() for cell in cells[width:]):
            return cells[:width]
        if self.found.sheet.name and len(cells) < width:
            return cells + [""] * (width - len(cells))
        if len(cells) < width and is_total(cells + [""] * (width - len(cells))):
            return cells + [""] * (width - len(cells))
        self.problems.add(line, "", f"has {len(cells)} fields; the header has {width}")
        return None

    def _report_faults(self, line: int, faults: Mapping[int, list[tuple[str, str]]]) -> None:
        for role, problem in faults.get(line, ()):
            self.problems.add(line, role, problem, is_cause=True)

    def _own(self, lines: list[int], rows: list[list[str]]) -> list[list[str]]:
        """Some rows' cells of ``header``; further ones go to ``extra``."""
        columns = list(zip(*rows, strict=True))
        own = {column.role: _said(columns[column.place]) for column in self.found.columns}
        self._births(lines, own)
        if (ids := own.get("animal_id")) and any("E" in text or "e" in text for text in ids):
            for place, text in enumerate(ids):
                if EXPONENT.fullmatch(text):
                    problem = f"animal_id {text!r} is what a spreadsheet leaves of a long number"
                    self.problems.add(lines[place], "animal_id", problem, is_cause=True)
                    ids[place] = ""
        for role, translate in _TRANSLATED.items():
            if role in own:
                meanings = {text: translate(text) for text in set(own[role])}
                own[role] = [meanings[text] for text in own[role]]
        if self.extra is not None:
            kept = [role for role in (*EXTRA, "birth_date") if role in own]
            for place, line in enumerate(lines):
                self.extra[line] = {role: own[role][place] for role in kept if own[role][place]}
        return [list(row) for row in zip(*(own[role] for role in self.header), strict=True)]

    def _births(self, lines: list[int], own: dict[str, list[str]]) -> None:
        """Days as YYYY-MM-DD; a year that stands for a day goes to the year."""
        this_year = datetime.now(tz=UTC).year
        if "birth_date" in own:
            own.setdefault("birth_year", [""] * len(lines))
        for role in ("birth_date", "applied_on"):
            order = self.found.orders[role].order if role in self.found.orders else ""
            for place, text in enumerate(own.get(role, ())):
                if not text:
                    continue
                day, problem = read_birth(text, order, this_year=this_year)
                if not problem and role == "applied_on" and len(day) == 4:
                    problem = f"{text[:40]!r}; expected a day"
                if problem:
                    self.problems.add(lines[place], role, f"{role} is {problem}", is_cause=True)
                    day = ""
                own[role][place] = day
                if role == "birth_date" and len(day) == 4:
                    own[role][place] = ""
                    own["birth_year"][place] = own["birth_year"][place] or day
        for place, year in enumerate(own.get("birth_year", ())):
            if year and not (len(year) == 4 and year.isdigit()):
                day, problem = read_birth(year, "", this_year=this_year)
                own["birth_year"][place] = year if problem else day[:4]


def _said(texts: Sequence[str]) -> list[str]:
    """Cells without surrounding blanks; dashes say nothing."""
    stripped = [text.strip() for text in texts]
    return ["" if text[:1] in DASHES and is_blank(text) else text for text in stripped]


def addresses(found: Understood) -> Callable[[int, str], str]:
    """Where the cell of a line's role is; empty where the line says enough."""
    columns = {column.role: column for column in found.columns}
    plain_names = not found.sheet.name and all(c.heading == c.role for c in found.columns)

    def place(line: int, role: str) -> str:
        if plain_names:
            return ""
        column = columns.get(role)
        if column is None and role == "birth_year":
            column = columns.get("birth_date")
        if column is None:
            return found.sheet.place(line)
        return found.sheet.address(line, column.place, column.heading)

    return place


def _faults(sheet: Sheet, found: Understood) -> dict[int, list[tuple[str, str]]]:
    """Line -> role and problem of cells in use that cannot be used."""
    roles = {column.place: column.role for column in found.columns}
    faults: dict[int, list[tuple[str, str]]] = {}
    for (line, column), problem in sheet.faults.items():
        if column in roles:
            faults.setdefault(line, []).append((roles[column], f"{roles[column]} {problem}"))
    for top, left, bottom, right in sheet.merged:
        used = [place for place in roles if left <= place <= right]
        name = f"{letters(left)}{top}:{letters(right)}{bottom}"
        first = max(top, found.header.line + 1)
        for line in range(first, min(bottom, first + TALLEST_MERGE) + 1):
            for place in used:
                problem = (
                    f"{roles[place]} is merged ({name}); unmerge the cells, so that each animal "
                    "has its own"
                )
                faults.setdefault(line, []).append((roles[place], problem))
    return faults


def _word(group: str) -> Callable[[str], str]:
    words = cell_words(group)
    return lambda text: words.get(plain(text), text)


def _chip(text: str) -> str:
    bare = "".join(c for c in text if c not in " \u00a0\u202f.-'")
    return bare if is_chip(bare) else text


_TRANSLATED: Final[Mapping[str, Callable[[str], str]]] = {
    "ear": _word("ear"),
    "sex": _word("sex"),
    "status": _word("status"),
    "chip": _chip,
}
