"""Which column of a table holds what: taken when it is safe, asked when it is not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from legibility.errors import RegistryError
from legibility.tables.choice import EXTRA, MARKS, ROLES, choice_text
from legibility.tables.contents import MOST, Contents, contents_of
from legibility.tables.dates import Order, settle
from legibility.tables.fitting import EMPTY, NO, PERHAPS, YES, could_be_mark, fit
from legibility.tables.header_row import Header, find_header, is_total
from legibility.tables.headings import Claim, Heading
from legibility.tables.plain import is_blank, plain
from legibility.tables.sheet import (
    BrokenRow,
    Sheet,
    Table,
    column_number,
    letters,
    rows_below,
    sampled,
)

SAMPLE: Final = 2000
"""Choice: rows by which columns are told; dates are looked at in all rows."""
EXAMPLES: Final = 3
"""Choice: rows shown."""
NONE: Final = "none"
"""What a person says for a role that no column holds."""

SAID: Final = "said by you"
OWN: Final = "its own name"
AGREED: Final = "heading and cells agree"
HEADED: Final = "by its heading"
BY_CELLS: Final = "by its cells"
"""How a column was told, from the surest; what is less sure is asked."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column and what it holds."""

    role: str
    place: int
    """From 0."""
    heading: str
    confidence: str
    reasons: tuple[str, ...]
    examples: tuple[str, ...]
    """Its cells of the first rows, empty where they say nothing."""


@dataclass(frozen=True, slots=True)
class Question:
    """What only a person can say."""

    text: str
    answers: tuple[Mapping[str, str], ...] = ()
    """Each a choice to add."""


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
        found |= {k: v for k, v in self.choice.items() if v == NONE or k == "dates"}
        return found


@dataclass(slots=True)
class _Working:
    """What is known so far."""

    header: Header
    cells: Sequence[Contents]
    choice: Mapping[str, str]
    first: Sequence[Sequence[str]]
    """The first rows."""
    taken: dict[str, Column] = field(default_factory=dict)
    questions: list[Question] = field(default_factory=list)
    why_not: dict[int, str] = field(default_factory=dict)

    def free(self, place: int) -> bool:
        return all(column.place != place for column in self.taken.values())

    def open(self, role: str) -> bool:
        """Whether nobody said which column a role has."""
        return role not in self.taken and role not in self.choice

    def claims(self, *roles: str) -> list[tuple[int, Claim]]:
        """Claims for roles on columns that are free."""
        return [
            (place, claim)
            for place, heading in enumerate(self.header.headings)
            for claim in heading.claims
            if claim.role in roles and self.free(place)
        ]

    def take(self, role: str, place: int, confidence: str, *reasons: str) -> None:
        heading = self.header.headings[place].text
        why = tuple(reason for reason in reasons if reason)
        examples = tuple("" if is_blank(row[place]) else row[place].strip() for row in self.first)
        self.taken[role] = Column(role, place, heading, confidence, why, examples)

    def name(self, place: int) -> str:
        """A column with examples, for a question."""
        heading = self.header.headings[place].text
        shown = f"{heading[:40]!r}" if heading else f"column {letters(place)}"
        examples = ", ".join(example[:20] for example in self.cells[place].examples)
        return f"{shown} ({examples})" if examples else f"{shown} (empty)"

    def key(self, place: int) -> str:
        """What to give with ``--columns`` for a column."""
        heading = self.header.headings[place].text
        alone = sum(h.text == heading for h in self.header.headings) == 1
        return heading if heading and alone else letters(place)

    def ask(self, text: str, role: str, places: Sequence[int]) -> None:
        answers = tuple({role: self.key(place)} for place in places)
        self.questions.append(Question(text, answers))


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
    sheet, header, questions, notices = _sheet(table, choice)
    rows = [cells for _, cells in sampled(rows_below(sheet, header.line), SAMPLE)]
    while rows and is_total(rows[-1]):
        rows.pop()
    width = len(header.headings)
    if sheet.name or not header.line:
        width = max([width, *(len(cells) for cells in rows)])
    more = (Heading("", (), frozenset()),) * (width - len(header.headings))
    header = Header(header.line, header.headings + more, header.before, header.score)
    padded = [(cells + [""] * width)[:width] for cells in rows]
    columns = [contents_of([cells[place] for cells in padded]) for place in range(width)]
    work = _Working(header, columns, choice, padded[:EXAMPLES], questions=questions)
    _said(work, table.name, sheet)
    _own(work)
    if header.score or any(role in choice for role in ROLES):
        _marks(work)
        _identifier(work)
        _others(work)
    elif not questions:
        text = "no line looks like headings of a list of animals; say which columns hold what"
        answer = {"header": "0", "animal_id": "A", "mark": "B"}
        work.questions.append(Question(text, (answer,)))
    orders = _orders(work, sheet)
    order = {role: number for number, role in enumerate((*ROLES, *EXTRA))}
    found = tuple(sorted(work.taken.values(), key=lambda column: order[column.role]))
    return Understood(
        sheet, header, found, orders, _unused(work), tuple(work.questions), choice,
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


def _sheet(
    table: Table, choice: Mapping[str, str]
) -> tuple[Sheet, Header, list[Question], list[str]]:
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


def _said(work: _Working, name: str, sheet: Sheet) -> None:
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


def _own(work: _Working) -> None:
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
            text = f"column {role!r} is there twice"
            work.ask(text, role, places)
        else:
            work.take(role, places[0], OWN)
    sides = [role for role in MARKS[1:] if role in work.taken]
    for role, wanted in (("mark", "mark, or left_mark and right_mark"), ("ear", "ear beside mark")):
        if role in work.taken and sides:
            text = f"found the columns {role} and {sides[0]}; expected {wanted}"
            place = work.taken.pop(role).place
            work.questions.append(Question(text, ({role: NONE},)))
            work.why_not[place] = f"contradicts {sides[0]}"


def _marks(work: _Working) -> None:
    if any(role in work.taken for role in MARKS) or work.choice.get("mark") == NONE:
        _second_side(work)
        return
    fits: dict[str, list[tuple[int, Claim]]] = {role: [] for role in MARKS}
    empty: dict[str, list[tuple[int, Claim]]] = {role: [] for role in MARKS}
    refused: list[int] = []
    sides = {role: [place for place, _ in work.claims(role)] for role in MARKS}
    for place, claim in work.claims(*MARKS):
        paired = all(len(sides[role]) == 1 for role in MARKS[1:]) and claim.role != "mark"
        if not claim.strong and not paired:
            continue
        state, why = fit(claim.role, work.cells[place])
        if state == YES:
            fits[claim.role].append((place, claim))
        elif state == EMPTY:
            empty[claim.role].append((place, claim))
        else:
            refused.append(place)
            work.why_not[place] = why
    found = [place for role in MARKS for place, _ in fits[role]]
    counts = [len(fits[role]) for role in MARKS]
    if counts == [1, 0, 0] or (counts[0] == 0 and max(counts) == 1):
        if not counts[0]:
            _ask_refused(work, refused)
        for role in MARKS:
            for place, claim in fits[role] or (empty[role] if role != "mark" else [])[:1]:
                if role == "mark" or not counts[0]:
                    reason = fit(role, work.cells[place])[1]
                    work.take(role, place, AGREED, claim.why, reason)
        return
    if found:
        named = " and ".join(work.name(place) for place in found[:5])
        if counts[0]:
            work.ask(f"several columns look like the mark: {named}", "mark", found)
        else:
            role = MARKS[1] if counts[1] > 1 else MARKS[2]
            places = [place for place, _ in fits[role]]
            work.ask(f"several columns look like the {role}: {named}", role, places)
        return
    _ask_mark(work, refused)


def _second_side(work: _Working) -> None:
    """The other ear's column, where one was named."""
    for role, other in (MARKS[1:], MARKS[:0:-1]):
        claims = [place for place, claim in work.claims(role) if claim.strong]
        if other in work.taken and work.open(role) and len(claims) == 1:
            place = claims[0]
            if fit(role, work.cells[place])[0] in (YES, EMPTY):
                work.take(role, place, AGREED, "its heading names the other ear")


def _ask_mark(work: _Working, refused: Sequence[int]) -> None:
    likely = [place for place, _ in work.claims(*MARKS) if place not in refused]
    likely += [
        place
        for place, cells in enumerate(work.cells)
        if place not in likely
        and work.free(place)
        and not work.header.headings[place].excluded
        and could_be_mark(cells)
    ]
    likely = [p for p in likely if fit("mark", work.cells[p])[0] == YES]
    _ask_refused(work, refused)
    named = " or ".join(work.name(place) for place in likely[:5])
    text = "no column is surely the mark" + (f"; it may be {named}" if named else "")
    work.ask(text, "mark", likely[:5] or list(refused))


def _ask_refused(work: _Working, refused: Sequence[int]) -> None:
    for place in refused:
        text = f"{work.name(place)} is headed like a mark, but {work.why_not[place]}"
        roles = [c.role for c in work.header.headings[place].claims if c.role in MARKS]
        work.questions.append(Question(text, ({roles[0]: NONE},) if roles[0] != "mark" else ()))


def _identifier(work: _Working) -> None:
    if not work.open("animal_id"):
        return
    claims = [(claim.rank, place, claim) for place, claim in work.claims("animal_id")]
    strong = sorted((rank, place, claim) for rank, place, claim in claims if claim.strong)
    states = {place: fit("animal_id", work.cells[place]) for _, place, _ in strong}
    for place, (state, why) in states.items():
        if state in (NO, EMPTY):
            work.why_not[place] = why
    sure = [item for item in strong if states[item[1]][0] == YES]
    doubtful = [item for item in strong if states[item[1]][0] == PERHAPS]
    best = min((rank for rank, _, _ in sure), default=99)
    first = [item for item in sure if item[0] == best]
    before = [item for item in doubtful if item[0] < best or not sure]
    if len(first) == 1 and not before:
        _, place, claim = first[0]
        others = [work.header.headings[p].text for _, p, _ in sure if p != place]
        aside = f"taken before {', '.join(others)}" if others else ""
        work.take("animal_id", place, AGREED, claim.why, states[place][1], aside)
        return
    if not sure and len(before) == 1:
        _, place, claim = before[0]
        work.take("animal_id", place, HEADED, claim.why, states[place][1])
        return
    places = [place for _, place, _ in (*before, *first)]
    if places:
        named = " and ".join(work.name(place) for place in places[:5])
        work.ask(f"several columns may name the animal: {named}", "animal_id", places[:5])
        return
    weak = [place for _, place, _ in claims if fit("animal_id", work.cells[place])[0] == YES]
    marks = [column.place for role, column in work.taken.items() if role in MARKS]
    places = weak or [p for p in marks if fit("animal_id", work.cells[p])[0] == YES]
    named = " or ".join(work.name(place) for place in places[:5])
    text = "no column surely names the animal" + (f"; it may be {named}" if named else "")
    work.ask(text, "animal_id", places[:5])


def _others(work: _Working) -> None:
    for role in ("chip", "birth_date", "birth_year", "sex", "ear", "status"):
        if not work.open(role) or (role == "ear" and "mark" not in work.taken):
            continue
        fits, refused = [], []
        for place, claim in work.claims(role):
            state, why = fit(role, work.cells[place])
            if role == "birth_date" and work.cells[place].years >= MOST:
                continue
            strong = claim.strong
            if state in (YES, PERHAPS) and strong:
                fits.append((place, claim, state, why))
            elif state in (YES, PERHAPS):
                work.why_not[place] = f"may be the {role}: say --columns {role}=..."
            elif state == NO and strong:
                refused.append((place, why))
        if role == "birth_year" and not fits:
            fits = [
                (place, claim, YES, "its cells are years")
                for place, claim in work.claims("birth_date")
                if work.cells[place].years >= MOST
            ]
        if len(fits) == 1:
            place, claim, state, why = fits[0]
            work.take(role, place, AGREED if state == YES else HEADED, claim.why, why)
        elif fits:
            places = [place for place, *_ in fits]
            named = " and ".join(work.name(place) for place in places[:5])
            work.ask(f"several columns look like the {role}: {named}", role, places[:5])
            work.questions[-1] = Question(
                work.questions[-1].text, (*work.questions[-1].answers, {role: NONE})
            )
        for place, why in refused:
            work.why_not[place] = why
    _unread_births(work)
    _chips_without_heading(work)
    for role in EXTRA:
        claims = [place for place, claim in work.claims(role)]
        if work.open(role) and len(claims) == 1 and fit(role, work.cells[claims[0]])[0] == YES:
            work.take(role, claims[0], HEADED, "its heading says so")


def _unread_births(work: _Working) -> None:
    """A column headed as birth whose cells are no dates is asked about, not left out."""
    if any(role in work.taken or role in work.choice for role in ("birth_date", "birth_year")):
        return
    for place, claim in work.claims("birth_date"):
        if claim.strong and work.cells[place].n and fit("birth_date", work.cells[place])[0] == NO:
            text = f"{work.name(place)} is headed as birth, but its cells are no dates"
            work.questions.append(Question(text, ({"birth_date": NONE},)))
            return


def _chips_without_heading(work: _Working) -> None:
    """15 digits, most of them of manufacturers (900 and above): no official number has those."""
    if not work.open("chip"):
        return
    for place, cells in enumerate(work.cells):
        if not work.free(place) or cells.chips < MOST or work.header.headings[place].excluded:
            continue
        if all(example.startswith("9") for example in cells.examples) and cells.distinct >= MOST:
            work.take("chip", place, BY_CELLS, "its cells have 15 digits and begin with 9")
            return
        work.why_not.setdefault(place, "may be transponders: say --columns chip=...")


def _orders(work: _Working, sheet: Sheet) -> dict[str, Order]:
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
        texts: list[str] = []
        try:
            place = column.place
            texts = [
                cells[place]
                for _, cells in rows_below(sheet, work.header.line)
                if place < len(cells) and not is_blank(cells[place])
            ]
        except BrokenRow:
            pass
        orders[role] = settle(texts)
        heading = column.heading or role
        if orders[role].open or orders[role].problem:
            why = orders[role].why or orders[role].problem
            answers = tuple({"dates": order} for order in ("dmy", "mdy"))
            work.questions.append(Question(f"dates of {heading!r}: {why}", answers))
    return orders


def _unused(work: _Working) -> tuple[tuple[str, str], ...]:
    return tuple(
        (heading.text or f"column {letters(place)}", work.why_not.get(place) or heading.excluded)
        for place, heading in enumerate(work.header.headings)
        if work.free(place) and (heading.text.strip() or work.cells[place].n)
    )
