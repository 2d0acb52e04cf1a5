"""Which columns name the animal and say what else is known of it."""

from __future__ import annotations

from legibility.tables.choice import EXTRA, MARKS
from legibility.tables.contents import MOST
from legibility.tables.dates import looks_dated, read_birth
from legibility.tables.findings import (
    AGREED,
    BY_CELLS,
    HEADED,
    MOST_LISTED,
    NONE,
    Findings,
    Question,
)
from legibility.tables.fitting import EMPTY, NO, PERHAPS, YES, fit


def take_identifier(work: Findings) -> None:
    """The column that names the animal."""
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
        text = f"several columns may name the animal: {work.listed(places)}"
        work.ask(text, "animal_id", places[:MOST_LISTED])
        return
    weak = [place for _, place, _ in claims if fit("animal_id", work.cells[place])[0] == YES]
    marks = [column.place for role, column in work.taken.items() if role in MARKS]
    places = weak or [p for p in marks if fit("animal_id", work.cells[p])[0] == YES]
    named = work.listed(places, " or ")
    text = "no column surely names the animal" + (f"; it may be {named}" if named else "")
    work.ask(text, "animal_id", places[:MOST_LISTED])


def take_others(work: Findings) -> None:
    """Columns that a row may do without."""
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
            text = f"several columns look like the {role}: {work.listed(places)}"
            work.ask(text, role, places[:MOST_LISTED], {role: NONE})
        for place, why in refused:
            work.why_not[place] = why
    _unread_births(work)
    _chips_without_heading(work)
    for role in EXTRA:
        claims = [place for place, _ in work.claims(role)]
        if work.open(role) and len(claims) == 1 and fit(role, work.cells[claims[0]])[0] == YES:
            work.take(role, claims[0], HEADED, "its heading says so")


def _unread_births(work: Findings) -> None:
    """A column headed as birth whose cells are no dates is asked about, not left out."""
    if any(role in work.taken or role in work.choice for role in ("birth_date", "birth_year")):
        return
    for place, claim in work.claims("birth_date"):
        if claim.strong and work.cells[place].n and fit("birth_date", work.cells[place])[0] == NO:
            text = f"{work.named(place)} is headed as birth, but its cells are no dates"
            odd = [text for text in work.cells[place].examples if not looks_dated(text)]
            problem = read_birth(odd[0], "", this_year=0)[1] if odd else ""
            text += f": {problem}" if problem else ""
            work.questions.append(Question(text, ({"birth_date": NONE},)))
            return


def _chips_without_heading(work: Findings) -> None:
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
