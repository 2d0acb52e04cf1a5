"""What is wrong with the rows of a registry file: counted, and named by line and field."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.identify.textcolumn import TextColumn

PROBLEMS_NAMED: Final = 20
"""Choice: most bad rows named one by one in an error message."""

COLUMNS_NAMED: Final = 10
"""Choice: most columns without use that are named."""


def unused_columns(columns: Sequence[str]) -> str:
    """Notice of columns that a file has and that are not used."""
    more = len(columns) - COLUMNS_NAMED
    named = ", ".join(columns[:COLUMNS_NAMED])
    return f"columns not used: {named}" + (f" and {more} more" if more > 0 else "")


@dataclass(frozen=True, slots=True, order=True)
class RowProblem:
    """One thing wrong with one row."""

    line: int
    """Line of the file, the header is line 1."""
    field: str
    """Column; empty when the row as a whole cannot be used."""
    problem: str
    """What was found and what was expected, as a sentence."""
    where: str = ""
    """``line 7, column Tag`` or ``sheet Animals, cell C7``; empty: the line says it."""

    def __str__(self) -> str:
        return f"{self.where or f'line {self.line}'}: {self.problem}"


def _by_line(line: int, column: str) -> str:
    return ""


@dataclass(slots=True)
class Problems:
    """Collects problems; beyond ``limit`` they are only counted."""

    limit: int = PROBLEMS_NAMED
    named: list[RowProblem] = field(default_factory=list)
    count: int = 0
    place: Callable[[int, str], str] = _by_line
    """Where a line's column is, in words."""
    settled: set[tuple[int, str]] = field(default_factory=set)
    """Cells (line, column) whose problem was named with its cause; what follows from it is not."""

    def add(self, line: int, column: str, problem: str, *, is_cause: bool = False) -> None:
        """One more problem; ``is_cause``: further ones of the same cell are left out."""
        if (line, column) in self.settled:
            return
        if is_cause:
            self.settled.add((line, column))
        self.count += 1
        if len(self.named) < self.limit:
            self.named.append(RowProblem(line, column, problem, self.place(line, column)))

    def add_repeated(
        self,
        repeated: Iterable[tuple[int, str, str]],
        parts: Iterable[tuple[Mapping[str, TextColumn], Iterable[int], NDArray[np.bytes_]]],
    ) -> None:
        """Rows whose ``animal_id`` was there before, with the line it was first.

        Parameters
        ----------
        repeated : iterable of (line, animal_id, mark)
        parts : iterable of (columns, lines, marks)
            All rows of the file, in order.
        """
        repeated = list(repeated)
        wanted = {animal_id for _, animal_id, _ in repeated[: self.limit]}
        first: dict[str, tuple[int, str]] = {}
        for columns, lines, marks in parts if wanted else []:
            ids = columns["animal_id"]
            for index, line in enumerate(lines):
                if ids[index] in wanted:
                    first.setdefault(ids[index], (int(line), marks[index].decode("ascii")))
            if len(first) == len(wanted):
                break
        for line, animal_id, mark in repeated:
            at, before = first.get(animal_id, (0, ""))
            two = f", with the mark {before}; here {mark}" if mark and mark != before else ""
            self.add(line, "animal_id", f"animal_id {animal_id!r} was already on line {at}{two}")

    def message(self, name: str, *, most: int = sys.maxsize, remedy: str = "") -> str:
        """Error message that names the problems kept, or the first of them."""
        named = sorted(self.named)[:most]
        lines = "\n".join(f"  {problem}" for problem in named)
        more = self.count - len(named)
        rest = f"\n  and {more} more" if more else ""
        rows = "problem" if self.count == 1 else "problems"
        return f"{name}: {self.count} {rows}; nothing was imported{remedy}\n{lines}{rest}"
