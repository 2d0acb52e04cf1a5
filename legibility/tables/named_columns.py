"""Columns told by name: those that a person named, and those with this program's own names."""

from __future__ import annotations

from legibility.errors import RegistryError
from legibility.tables.choice import EXTRA, MARKS, ROLES
from legibility.tables.findings import NONE, OWN, SAID, Findings, Question
from legibility.tables.plain import plain
from legibility.tables.sheet import Sheet, column_number


def take_said(work: Findings, name: str, sheet: Sheet) -> None:
    """Columns that a person named.

    Raises
    ------
    RegistryError
        If one is not there.
    """
    headings = [heading.text for heading in work.header.headings]
    for role in (*ROLES, *EXTRA):
        said = work.choice.get(role)
        if said is None or said == NONE:
            continue
        places = [n for n, text in enumerate(headings) if text.strip() == said.strip()]
        if not places:
            places = [n for n, text in enumerate(headings) if text and plain(text) == plain(said)]
        if not places and 0 <= (number := column_number(said)) < len(headings):
            places = [number]
        if len(places) != 1:
            found = "two columns" if places else "no column"
            known = ", ".join(text[:40] for text in headings[:20] if text)
            at = sheet.place(work.header.line)
            raise RegistryError(
                f"{name}: {at}: {role} is said to be {said!r}, which {found} has; the columns: "
                f"{known}"
            )
        work.take(role, places[0], SAID, f"--columns or the rules file say so ({said})")


def take_own(work: Findings) -> None:
    """Columns with the names of this program, in a table that has them; mark, ear, sex, chip and
    status alone are everybody's words."""
    named = {heading.text.strip().lower() for heading in work.header.headings}
    if "animal_id" not in named or not named & set(MARKS):
        return
    for role in (*ROLES, *EXTRA):
        places = [
            place
            for place, heading in enumerate(work.header.headings)
            if heading.text.strip().lower() == role and work.free(place)
        ]
        if not work.open(role) or not places:
            continue
        if len(places) > 1:
            work.ask(f"column {role!r} is there twice", role, places)
        else:
            work.take(role, places[0], OWN)
    sides = [role for role in MARKS[1:] if role in work.taken]
    for role, wanted in (("mark", "mark, or left_mark and right_mark"), ("ear", "ear beside mark")):
        if role in work.taken and sides:
            text = f"found the columns {role} and {sides[0]}; expected {wanted}"
            place = work.taken.pop(role).place
            work.questions.append(Question(text, ({role: NONE},)))
            work.why_not[place] = f"contradicts {sides[0]}"
