"""Plain text in columns: measured by what a terminal shows, safe for hostile words."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from typing import Final

from legibility.report.writing import printable

WIDTH: Final = 80
"""Columns of a plain terminal."""

BAR_CELLS: Final = 10


def shown_width(text: str) -> int:
    """Columns a terminal needs for ``text``: wide East Asian characters take two.

    Unicode Standard Annex 11, East Asian Width.
    """
    return sum(
        0
        if unicodedata.combining(character)
        else 2
        if unicodedata.east_asian_width(character) in "WF"
        else 1
        for character in text
    )


def fit(text: str, width: int) -> str:
    """``text`` made safe and cut to ``width`` columns; a cut is shown by "~"."""
    safe = printable(text)
    if shown_width(safe) <= width:
        return safe
    return _head(safe, width - 1) + "~"


def tail(path: str, width: int) -> str:
    """The end of a path; a cut is shown by "~"."""
    return path if len(path) <= width else "~" + path[-(width - 1) :]


def pad(text: str, width: int, *, right: bool = False) -> str:
    """``text`` filled with blanks to ``width`` columns, after :func:`fit`."""
    fitted = fit(text, width)
    blanks = " " * (width - shown_width(fitted))
    return blanks + fitted if right else fitted + blanks


def columns(
    rows: Sequence[Sequence[str]], *, limits: Sequence[int], right: frozenset[int] = frozenset()
) -> list[str]:
    """Lines of a table, two blanks between columns, each column as wide as needed up to its limit.

    Where cutting off the ends would make different cells of a column alike, as of official numbers
    of one holding, they are cut in the middle.

    Parameters
    ----------
    rows : sequence of sequences of str
        All rows of the same length, the heading among them.
    limits : sequence of int
        Most columns each may take.
    right : frozenset of int
        Indices of the columns that are set flush right.
    """
    if not rows:
        return []
    widths = [
        min(limit, max(shown_width(printable(row[index])) for row in rows))
        for index, limit in enumerate(limits)
    ]
    fitted = [
        _told_apart([row[index] for row in rows], width) for index, width in enumerate(widths)
    ]
    return [
        "  ".join(
            pad(cell, widths[index], right=index in right) for index, cell in enumerate(row)
        ).rstrip()
        for row in zip(*fitted, strict=True)
    ]


def _told_apart(cells: Sequence[str], width: int) -> list[str]:
    """Cells that fit into a column."""
    cut = [fit(cell, width) for cell in cells]
    if len(set(cut)) == len(set(cells)):
        return cut
    return [_without_middle(printable(cell), width) for cell in cells]


def _without_middle(text: str, width: int) -> str:
    if shown_width(text) <= width:
        return text
    head = _head(text, (width - 1) // 3)
    return f"{head}~{_head(text[::-1], width - 1 - shown_width(head))[::-1]}"


def wrapped(text: str, *, indent: str = "  ", first: str | None = None) -> list[str]:
    """``text`` made safe and broken into lines of at most ``WIDTH`` columns.

    Lines break at blanks; a word that is longer than a line is broken where the line ends.
    """
    lines: list[str] = []
    line = start = indent if first is None else first
    for word in printable(text).split():
        gap = "" if line == start else " "
        if shown_width(line + gap + word) <= WIDTH:
            line += gap + word
            continue
        if line != start:
            lines.append(line)
            line = start = indent
        while shown_width(line + word) > WIDTH:
            kept = _head(word, WIDTH - shown_width(line))
            lines.append(line + kept)
            word = word[len(kept) :]
            line = start = indent
        line += word
    return [*lines, line] if line != start else lines


def _head(text: str, width: int) -> str:
    """As much of the start of ``text`` as fits into ``width`` columns."""
    kept = ""
    for character in text:
        if shown_width(kept + character) > width:
            break
        kept += character
    return kept


def bar(share: float, *, cells: int = BAR_CELLS) -> str:
    """A share 0..1 as a bar of characters, full only when it rounds down to full.

    Examples
    --------
    >>> bar(0.97), bar(0.5), bar(0.0)
    ('#########.', '#####.....', '..........')
    """
    filled = int(max(0.0, min(1.0, share)) * cells + 1e-9)
    return "#" * filled + "." * (cells - filled)
