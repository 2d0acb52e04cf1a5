"""Whether the cells of a column can be what its heading says."""

from __future__ import annotations

from typing import Final

from legibility.tables.choice import MARKS
from legibility.tables.contents import MANY, MOST, Contents

YES: Final = "yes"
PERHAPS: Final = "perhaps"
NO: Final = "no"
EMPTY: Final = "empty"
MOST_KINDS: Final = 12
"""Choice: different words of a status or sex."""
TYPICAL_MARK: Final = 8
"""Choice: a column without a telling heading may hold marks when half of them are no longer."""
LONGEST_NAME: Final = 4
"""Choice: marks of letters alone are no longer; longer words are names."""


def fit(role: str, cells: Contents) -> tuple[str, str]:
    """``yes``, ``perhaps``, ``no`` or ``empty``, and why in words."""
    if not cells.n:
        return EMPTY, "it is empty"
    if role in MARKS:
        return _mark(cells)
    if role == "animal_id":
        return _identifier(cells)
    if role in ("birth_date", "birth_year", "applied_on"):
        return _day(role, cells)
    return {"ear": _ear, "sex": _sex, "status": _status, "chip": _chip}.get(role, _any)(cells)


def could_be_mark(cells: Contents) -> bool:
    """Whether cells look like marks without any heading: short, with figures, mostly different."""
    return (
        fit("mark", cells)[0] == YES
        and cells.figures >= MANY
        and cells.typical <= TYPICAL_MARK
        and cells.distinct >= MANY
        and cells.years < MOST
        and not cells.counts_up
    )


def _mark(cells: Contents) -> tuple[str, str]:
    for share, what in (
        (cells.chips, "transponder numbers (15 digits)"),
        (cells.cut, "numbers that a spreadsheet has cut (9.85E+14)"),
        (cells.official, "official numbers (country and digits)"),
        (cells.dates, "dates"),
    ):
        if share >= MANY:
            return NO, f"its cells are {what}"
    for share, what in (
        (cells.ears, "ears"),
        (cells.answers, "answers such as yes and no"),
        (cells.sexes, "sexes"),
    ):
        if share >= MOST:
            return NO, f"its cells are {what}"
    if cells.years >= MOST and cells.distinct < MANY:
        return NO, "its cells are years"
    if cells.kinds == 1 and cells.n > 3:
        return NO, "all its cells are the same"
    if cells.figures < 1 - MOST and cells.typical > LONGEST_NAME:
        return NO, "its cells are words without figures"
    if cells.marks < MANY:
        return NO, "its cells are not letters and figures of one or two rows"
    return YES, "its cells are letters and figures"


def _identifier(cells: Contents) -> tuple[str, str]:
    for share, what in ((cells.dates, "dates"), (cells.ears, "ears"), (cells.sexes, "sexes")):
        if share >= MOST:
            return NO, f"its cells are {what}"
    if cells.filled >= MOST and cells.distinct >= MOST:
        return YES, "its cells are different"
    if cells.filled >= MANY and cells.distinct > 1 - MOST:
        few = "many cells are empty" if cells.filled < MOST else "some cells are there twice"
        return PERHAPS, few
    return NO, "most cells are empty" if cells.filled < MANY else "its cells name no one animal"


def _day(role: str, cells: Contents) -> tuple[str, str]:
    if role == "birth_year":
        return (
            (YES, "its cells are years") if cells.years >= MOST else (NO, "its cells are no years")
        )
    if cells.dates + cells.years >= MOST:
        return YES, "its cells are " + ("years" if cells.years >= MOST else "dates")
    if cells.dates + cells.years >= MANY:
        return PERHAPS, "not all of its cells are dates"
    return NO, "its cells are no dates"


def _ear(cells: Contents) -> tuple[str, str]:
    found = cells.ears >= MOST
    return (YES, "its cells are left and right") if found else (NO, "its cells are no ears")


def _sex(cells: Contents) -> tuple[str, str]:
    if cells.sexes >= MOST:
        return YES, "its cells are male and female"
    few = cells.kinds <= MOST_KINDS and cells.figures < MANY and cells.kinds < cells.n
    return (PERHAPS, "its cells are few words") if few else (NO, "its cells are no sexes")


def _status(cells: Contents) -> tuple[str, str]:
    if cells.statuses >= MOST:
        return YES, "its cells say present, sold, dead"
    few = cells.kinds <= MOST_KINDS and cells.figures < MANY and cells.dates < 1 - MOST
    return (PERHAPS, "its cells are few words") if few else (NO, "its cells are no states")


def _chip(cells: Contents) -> tuple[str, str]:
    if cells.chips >= MOST:
        return YES, "its cells have 15 digits"
    if cells.chips + cells.cut + cells.official >= MANY or (
        cells.typical >= 10 and (cells.figures >= MOST)
    ):
        return PERHAPS, "not all of its cells have 15 digits"
    return NO, "its cells are no transponder numbers"


def _any(cells: Contents) -> tuple[str, str]:
    return YES, ""
