"""A sheet of marks to read, as one HTML file that says nothing of what they should be."""

from __future__ import annotations

from collections.abc import Sequence

from legibility.report.page import render_page


def sheet_page(
    *, sheet: str, pictures: Sequence[tuple[str, str]], claims: Sequence[str], key_sha256: str
) -> str:
    """The page; it opens offline and prints a few marks a sheet of paper.

    Parameters
    ----------
    sheet : str
        Code of the sheet.
    pictures : sequence of (item, address)
        Code and ``data:`` address of each picture, in the order shown.
    claims : sequence of str
        Shown under each picture; empty for first readings.
    key_sha256 : str
    """
    return render_page(
        "blind.html", sheet=sheet, pictures=pictures, claims=claims, key_sha256=key_sha256
    )
