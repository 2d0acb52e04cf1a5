"""Which column of a table holds what: taken when it is safe, asked when it is not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from legibility.errors import RegistryError
from legibility.tables.choice import EXTRA, ROLES, choice_text
from legibility.tables.contents import contents_of
from legibility.tables.dates import Order, settle
from legibility.tables.findings import NONE, Column, Findings, Question
from legibility.tables.header_row import Header, is_total
from legibility.tables.headings import heading_of
from legibility.tables.mark_columns import take_marks
from legibility.tables.named_columns import take_own, take_said
from legibility.tables.other_columns import take_identifier, take_others
from legibility.tables.plain import is_blank
from legibility.tables.sheet import Sheet, Table, letters, rows_below, sampled
from legibility.tables.which_sheet import which_sheet

SAMPLE: Final = 2000
"""Choice: rows by which columns are told; dates are looked at in all rows."""
EXAMPLES: Final = 3
"""Choice: rows shown."""


@dataclass(frozen=True, slots=True)
class Understood:
    """A table and what its columns hold."""

    sheet: Sheet
    header: Header
    columns: tuple[Column, ...]
    orders: Mapping[str, Order]
    """Of the columns with dates."""
    unused: tuple[tuple[str, str], ...]
    """Heading of each other column, and why it is not used (may be empty)."""
    questions: tuple[Question, ...]
    choice: Mapping[str, str]
    """What a person said."""
    notices: tuple[str, ...] = ()

    def column(self, role: str) -> Column | None:
        """The column of a role."""
        return next((column for column in self.columns if column.role == role), None)

    def in_words(self) -> dict[str, str]:
        """The choice that says all this by hand."""
        found = {key: self.choice[key] for key in ("sheet", "header") if key in self.choice}
        if self.sheet.name and "sheet" not in found:
            found["sheet"] = self.sheet.name
        texts = [heading.text for heading in self.header.headings]
        for column in self.columns:
            alone = column.heading and texts.count(column.heading) == 1
            found[column.role] = column.heading if alone else letters(column.place)
        found |= {k: v for k, v in self.choice.items() if v == NONE or k in ("dates", "rows")}
        return found


def understand(table: Table, choice: Mapping[str, str] | None = None) -> Understood:
    """Which column holds what.

    Parameters
    ----------
    table : Table
    choice : mapping, optional
        What a person said, see :mod:`legibility.tables.choice`.

    Raises
    ------
    RegistryError
        If a sheet or column that was named is not there.
    """
    choice = dict(choice or {})
    sheet, header, questions, notices = which_sheet(table, choice)
    rows = [cells for _, cells in sampled(rows_below(sheet, header.line), SAMPLE)]
    while rows and is_total(rows[-1]):
        rows.pop()
    width = len(header.headings)
    if sheet.name or not header.line:
        width = max([width, *(len(cells) for cells in rows)])
    more = (heading_of(""),) * (width - len(header.headings))
    header = replace(header, headings=header.headings + more)
    padded = [(cells + [""] * width)[:width] for cells in rows]
    columns = [contents_of([cells[place] for cells in padded]) for place in range(width)]
    work = Findings(header, columns, choice, padded[:EXAMPLES], questions=questions)
    take_said(work, table.name, sheet)
    take_own(work)
    if header.score or any(role in choice for role in ROLES):
        take_marks(work)
        take_identifier(work)
        take_others(work)
    elif not questions:
        text = "no line looks like headings of a list of animals; say which columns hold what"
        answer = {"header": "0", "animal_id": "A", "mark": "B"}
        work.questions.append(Question(text, (answer,)))
    orders = _orders(work, sheet)
    order = {role: number for number, role in enumerate((*ROLES, *EXTRA))}
    found = tuple(sorted(work.taken.values(), key=lambda column: order[column.role]))
    return Understood(
        sheet, header, found, orders, _unused(work, sheet), tuple(work.questions), choice,
        (*table.notices, *sheet.notices, *notices),
    )  # fmt: skip


def refuse_unsettled(found: Understood, name: str) -> None:
    """End with an error where something has to be asked.

    Raises
    ------
    RegistryError
        With each question and the answers that may be given.
    """
    if not found.questions:
        return
    lines = [f"{name}: the columns are not clear; nothing was read"]
    for question in found.questions:
        lines.append(f"  {question.text}")
        lines += [
            f"    --columns '{choice_text({**found.choice, **answer})}'"
            for answer in question.answers
        ]
    lines.append(f"  see: legibility registry {name}")
    raise RegistryError("\n".join(lines))


def _orders(work: Findings, sheet: Sheet) -> dict[str, Order]:
    """Order of day and month of the columns with dates, by all rows."""
    said = work.choice.get("dates", "")
    orders: dict[str, Order] = {}
    for role in ("birth_date", "applied_on"):
        column = work.taken.get(role)
        if column is None:
            continue
        if said:
            orders[role] = Order(said, "said by you")
            continue
        place = column.place
        orders[role] = settle(
            cells[place]
            for _, cells in sampled(rows_below(sheet, work.header.line), None)
            if place < len(cells) and not is_blank(cells[place])
        )
        heading = column.heading or role
        if orders[role].open or orders[role].problem:
            why = orders[role].why or orders[role].problem
            answers = tuple({"dates": order} for order in ("dmy", "mdy"))
            work.questions.append(Question(f"dates of {heading!r}: {why}", answers))
    return orders


def _unused(work: Findings, sheet: Sheet) -> tuple[tuple[str, str], ...]:
    faults: dict[int, str] = {}
    for (line, place), fault in sheet.faults.items():
        if line > work.header.line and place < len(work.cells) and not work.cells[place].n:
            faults.setdefault(place, f"cell {letters(place)}{line} {fault}")
    return tuple(
        (
            heading.text or f"column {letters(place)}",
            faults.get(place) or work.why_not.get(place) or heading.excluded,
        )
        for place, heading in enumerate(work.header.headings)
        if work.free(place) and (heading.text.strip() or work.cells[place].n)
    )
