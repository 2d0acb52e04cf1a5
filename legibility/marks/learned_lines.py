"""Marks of a list as they are learned from: without the separators that say nothing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import LONGEST_ROW, ROW_SEPARATOR

SAMPLE: Final = 20_000
"""Choice: marks of a longer list that forms are learned from; all are counted."""
_PLAIN: Final = re.compile(r"[A-Z0-9]+(?:/[A-Z0-9]+)?")
_SAYS_NOTHING: Final = str.maketrans("", "", " \t-._\u00a0\u2010\u2011\u2013")
_RUN: Final = re.compile(r"[A-Z]+|[0-9]+")


@dataclass(frozen=True, slots=True)
class Line:
    """One mark of a list."""

    rows: tuple[str, ...]
    """One or two; of a mark without ``/`` one, which may stand in two rows in the ear."""
    year: int = 0
    """Of birth; 0 = not known."""

    @property
    def runs(self) -> list[str]:
        """Letters and figures in turn.

        Examples
        --------
        >>> Line(("HD", "782M")).runs
        ['HD', '782', 'M']
        """
        return [run for row in self.rows for run in _RUN.findall(row)]

    @property
    def kind(self) -> tuple[str, ...]:
        """Letters (L) and figures (D) in turn, whatever their number, row by row.

        Examples
        --------
        >>> Line(("HD", "782M")).kind
        ('L', 'DL')
        """
        return tuple(
            "".join("L" if run[0].isalpha() else "D" for run in _RUN.findall(row))
            for row in self.rows
        )


def plain_marks(marks: Sequence[str] | NDArray[Any]) -> list[str]:
    """Marks in capitals without blanks, hyphens and dots; empty where there is no mark in it.

    Examples
    --------
    >>> plain_marks(["hd 782", "HD/7-8.2", "H:2", "A/B/C"])
    ['HD782', 'HD/782', '', '']
    """
    texts = marks.astype(str).tolist() if isinstance(marks, np.ndarray) else marks
    return [text if _PLAIN.fullmatch(text) else _plain(text) for text in texts]


def _plain(text: str) -> str:
    found = text.upper().translate(_SAYS_NOTHING).strip(ROW_SEPARATOR)
    return found if _PLAIN.fullmatch(found) else ""


def rows_of(mark: str) -> tuple[str, ...]:
    """Rows of a plain mark; one that no row can hold is broken behind its first letters.

    Examples
    --------
    >>> rows_of("HD/782"), rows_of("EL123456789012")
    (('HD', '782'), ('EL', '123456789012'))
    """
    rows = tuple(mark.split(ROW_SEPARATOR))
    if len(rows) > 1 or len(mark) <= LONGEST_ROW:
        return rows
    first = _RUN.findall(mark)[0]
    cut = len(first) if first.isalpha() and len(first) <= LONGEST_ROW else len(mark) - LONGEST_ROW
    return (mark[:cut], mark[cut:])
