"""The characters a mark can be made of."""

from __future__ import annotations

from typing import Final

CHARACTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
"""Every character a die set can hold, in the order of all arrays of this package."""

N_CHARACTERS: Final = len(CHARACTERS)

NO_CHARACTER: Final = N_CHARACTERS
"""Index of "no character here" in arrays of length ``N_CLASSES``."""

N_CLASSES: Final = N_CHARACTERS + 1

UNREAD: Final = "?"
"""How a cell that is there but cannot be read is written."""

LONGEST_ROW: Final = 12
"""Choice: no known rule asks for more than 9 characters in a row; twelve fit a 64-bit key."""

ROW_SEPARATOR: Final = "/"
"""Between the rows of a two-row mark: ``AB/123``."""

LOOK_ALIKE: Final = {"O": "0", "0": "O", "I": "1", "1": "I"}
"""Characters that many die sets do not tell apart (common practice, no source)."""

_INDEX: Final = {character: index for index, character in enumerate(CHARACTERS)}


def index_of(character: str) -> int:
    """Position of a character in ``CHARACTERS``.

    Raises
    ------
    ValueError
        If it is not one of the 36 upper-case letters and digits.

    Examples
    --------
    >>> index_of("A"), index_of("9")
    (0, 35)
    """
    try:
        return _INDEX[character]
    except KeyError:
        raise ValueError(
            f"{character!r} is no character of a mark; expected one of {CHARACTERS}"
        ) from None


def split_mark(mark: str) -> tuple[str, ...]:
    """Rows of a written mark, checked.

    Examples
    --------
    >>> split_mark("AB/123")
    ('AB', '123')

    Raises
    ------
    ValueError
        If a row is empty, a character is not A-Z or 0-9, or there are more than two rows.
    """
    rows = tuple(mark.split(ROW_SEPARATOR))
    if len(rows) > 2:
        raise ValueError(f"mark {mark!r} has {len(rows)} rows; a mark has one or two")
    for row in rows:
        if not row:
            raise ValueError(f"mark {mark!r} has an empty row")
        for character in row:
            index_of(character)
    return rows


def same_mark(first: str, second: str) -> bool:
    """Whether two texts may stand for one mark: the same characters, and no other row break.

    Examples
    --------
    >>> same_mark("AB123", "AB/123"), same_mark("A/B123", "AB/123")
    (True, False)
    """
    if ROW_SEPARATOR in first and ROW_SEPARATOR in second:
        return first == second
    return first.replace(ROW_SEPARATOR, "") == second.replace(ROW_SEPARATOR, "")
