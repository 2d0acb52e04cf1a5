"""Cells of a CSV file that a spreadsheet cannot take for a formula, and back."""

from __future__ import annotations

from typing import Final

ACTIVE: Final = ("=", "+", "-", "@", "\t", "\r")
"""First characters that make a spreadsheet act. OWASP, "CSV Injection": these six."""


def guarded(cell: str) -> str:
    """A cell that is shown as text: an apostrophe before what would act.

    One is also put before an apostrophe, so that :func:`unguarded` gives back every text.

    Examples
    --------
    >>> guarded("=1+1"), guarded("goat 7"), guarded("'tis")
    ("'=1+1", 'goat 7', "''tis")
    """
    acts = cell.startswith((*ACTIVE, "'")) or cell.lstrip().startswith(ACTIVE)
    return "'" + cell if acts else cell


def unguarded(cell: str) -> str:
    """The text that :func:`guarded` was given."""
    return cell[1:] if cell.startswith("'") else cell
