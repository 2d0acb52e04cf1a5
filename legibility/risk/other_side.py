"""Marks whose right card, seen from behind, looks like a card with one fault seen from the front.

Behind the card everything is mirrored. A mirrored 8 is an 8, and a mirrored A that stands on its
top is an A upside down: "A8" from behind is "A8" with its A upside down from the front. No photo
tells the two apart; whoever took it knows which side it shows.
"""

from __future__ import annotations

from typing import Final

LEFT_RIGHT: Final = frozenset("AHIMOTUVWXY018")
"""Characters that look the same in a mirror beside them, by their usual shape."""
TOP_BOTTOM: Final = frozenset("BCDEHIKOX0138")
"""Characters that look the same in a mirror above them, by their usual shape."""


def fault_of_other_side(rows: tuple[str, ...]) -> str:
    """The one fault that the right card seems to have from the other side, in words.

    Parameters
    ----------
    rows : tuple of str
        The mark that is meant.

    Returns
    -------
    str
        Empty when it would seem to have none, or more than one.
    """
    above, beside = rows[::-1], tuple(row[::-1] for row in rows)
    return _fault(rows, above, TOP_BOTTOM, LEFT_RIGHT) or _fault(
        rows, beside, LEFT_RIGHT, TOP_BOTTOM
    )


def _fault(
    rows: tuple[str, ...], seen: tuple[str, ...], upright: frozenset[str], turned: frozenset[str]
) -> str:
    """``seen``: where the dies stand in the mirror; those of ``upright`` look as they should."""
    if [len(row) for row in seen] != [len(row) for row in rows]:
        return ""
    places = [(r, i) for r, row in enumerate(rows) for i in range(len(row))]
    over = [(r, i) for r, i in places if seen[r][i] not in upright]
    moved = [(r, i) for r, i in places if seen[r][i] != rows[r][i]]
    if not moved and len(over) == 1 and rows[over[0][0]][over[0][1]] in turned:
        return f"die {over[0][1] + 1}{_of_row(rows, over[0][0])} upside down"
    if not over and len(moved) == 2 and moved[0][0] == moved[1][0]:
        (r, i), (_, j) = moved
        if j == i + 1:
            return f"order swapped at {i + 1}-{j + 1}{_of_row(rows, r)}"
    return ""


def _of_row(rows: tuple[str, ...], row: int) -> str:
    return f" of row {row + 1}" if len(rows) > 1 else ""
