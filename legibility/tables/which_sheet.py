"""Which sheet of a workbook lists the animals."""

from __future__ import annotations

from collections.abc import Mapping

from legibility.errors import RegistryError
from legibility.tables.choice import MARKS
from legibility.tables.findings import Question
from legibility.tables.header_row import Header, find_header
from legibility.tables.sheet import Sheet, Table, rows_below


def which_sheet(
    table: Table, choice: Mapping[str, str]
) -> tuple[Sheet, Header, list[Question], list[str]]:
    """The sheet with the animals, its headings, questions, and what is worth knowing.

    Raises
    ------
    RegistryError
        If a sheet that was named is not there.
    """
    line = choice.get("header", "")
    wanted = choice.get("sheet")
    if wanted is not None and table.sheets[0].name:
        for sheet in table.sheets:
            if sheet.name == wanted:
                return sheet, find_header(sheet, line), [], _titles(find_header(sheet, line))
        known = ", ".join(sheet.name for sheet in table.sheets)
        raise RegistryError(f"{table.name}: has no sheet {wanted!r}; its sheets: {known}")
    headers = [find_header(sheet, line) for sheet in table.sheets]
    good = [n for n, header in enumerate(headers) if header.score and _has_both(header)]
    if not good:
        good = [n for n, header in enumerate(headers) if header.score]
    seen = [n for n in good if not table.sheets[n].hidden]
    questions: list[Question] = []
    if len(seen) > 1 or (good and not seen):
        names = [table.sheets[n].name for n in seen or good]
        what = "several sheets" if seen else "only hidden sheets"
        questions.append(
            Question(
                f"{what} look like a list of animals: {', '.join(names)}",
                tuple({"sheet": name} for name in names),
            )
        )
    visible = [n for n, sheet in enumerate(table.sheets) if not sheet.hidden]
    chosen = (seen or good or visible or [0])[0]
    notices = _titles(headers[chosen])
    for n, sheet in enumerate(table.sheets):
        if n != chosen and any(True for _ in rows_below(sheet, 0)):
            hidden = "hidden sheet" if sheet.hidden else "sheet"
            notices.append(f"{hidden} {sheet.name!r} is not used")
    return table.sheets[chosen], headers[chosen], questions, notices


def _has_both(header: Header) -> bool:
    roles = {claim.role for heading in header.headings for claim in heading.claims if claim.strong}
    return "animal_id" in roles and bool(roles & set(MARKS))


def _titles(header: Header) -> list[str]:
    titles = [title for title in header.before if title]
    return [f"line above the headings, not used: {title}" for title in titles[:3]]
