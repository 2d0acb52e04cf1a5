"""A kernel blended with a herd's own verified readings.

For each pressed character the kernel's probabilities at a condition are the mean of a Dirichlet
prior that is worth ``worth`` readings; own counts are added to it,

    p(c' | c) = (worth * k(c' | c) + n(c' | c)) / (worth + sum n)

so that a few readings change little and many decide.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, N_CLASSES, NO_CHARACTER, index_of
from legibility.errors import SettingsError
from legibility.risk.kernel import Matrix

WORTH: Final = 50.0
"""Choice: the shipped kernel counts as much as so many own readings of a character."""
NOT_READ: Final = ("", "?", "-")
"""How "not read" may be written in the column ``read``."""
MOST_COUNT: Final = 1_000_000_000
PROBLEMS_NAMED: Final = 20
COLUMNS: Final = ("true", "read", "count")


@dataclass(frozen=True, slots=True)
class OwnCounts:
    """A herd's own verified readings."""

    counts: NDArray[np.float64]
    """(36, 37) readings: row the character that was there, column what was read."""
    worth: float = WORTH

    @property
    def readings(self) -> int:
        """All readings."""
        return int(self.counts.sum())

    @property
    def effective_sample(self) -> NDArray[np.float64]:
        """(36,) readings a character's probabilities now rest on, the kernel's worth included."""
        return np.asarray(self.worth + self.counts.sum(axis=1), dtype=np.float64)

    @property
    def own_share(self) -> float:
        """Mean weight of the own readings over the characters that have some, 0..1."""
        own = self.counts.sum(axis=1)
        known = own > 0
        return float((own[known] / (own[known] + self.worth)).mean()) if known.any() else 0.0

    def blend(self, matrix: Matrix) -> Matrix:
        """A kernel's matrix with the own readings added."""
        total = self.effective_sample[:, None]
        return np.asarray((self.worth * matrix + self.counts) / total, dtype=np.float64)


def load_counts(path: Path, *, worth: float = WORTH) -> OwnCounts:
    """Own readings from a CSV file with the columns ``true``, ``read`` and ``count``.

    ``read`` is empty or ``?`` where the character could not be read. A pair may come more than
    once; the counts add.

    Raises
    ------
    SettingsError
        If the file cannot be used; bad rows are named with line and field.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise SettingsError(f"{path}: cannot be read as counts: {error}") from error
    header = [column.strip().lower() for column in rows[0]] if rows else []
    missing = [column for column in COLUMNS if column not in header]
    if missing:
        raise SettingsError(
            f"{path}: line 1: column {missing[0]!r} is missing; expected {', '.join(COLUMNS)}"
        )
    counts = np.zeros((N_CHARACTERS, N_CLASSES))
    problems = []
    for line, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        fields = dict(zip(header, (cell.strip() for cell in row), strict=False))
        try:
            true, read, count = _entry(fields)
            counts[true, read] += count
        except ValueError as error:
            problems.append(f"line {line}: {error}")
    if problems:
        more = len(problems) - PROBLEMS_NAMED
        named = "; ".join(problems[:PROBLEMS_NAMED]) + (f"; and {more} more" if more > 0 else "")
        raise SettingsError(f"{path}: {named}")
    if not counts.sum():
        raise SettingsError(f"{path}: holds no readings; expected at least one count above 0")
    return OwnCounts(counts, worth)


def _entry(fields: dict[str, str]) -> tuple[int, int, int]:
    true, read, count = (fields.get(column, "") for column in COLUMNS)
    if true.upper() not in CHARACTERS or len(true) != 1:
        raise ValueError(f"true is {true!r}; expected one of {CHARACTERS}")
    if read not in NOT_READ and (read.upper() not in CHARACTERS or len(read) != 1):
        raise ValueError(f"read is {read!r}; expected one of {CHARACTERS}, or nothing for not read")
    if not count.isascii() or not count.isdigit() or int(count) > MOST_COUNT:
        raise ValueError(f"count is {count!r}; expected a whole number of readings")
    column = NO_CHARACTER if read in NOT_READ else index_of(read.upper())
    return index_of(true.upper()), column, int(count)
