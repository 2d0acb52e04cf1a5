"""Which column holds the mark, or the mark of each ear."""

from __future__ import annotations

from collections.abc import Sequence

from legibility.tables.choice import MARKS
from legibility.tables.findings import AGREED, MOST_LISTED, NONE, Findings, Question
from legibility.tables.fitting import EMPTY, YES, could_be_mark, fit
from legibility.tables.headings import Heading


def take_marks(work: Findings) -> None:
    """The column of the mark, or one for each ear."""
    if any(role in work.taken for role in MARKS) or work.choice.get("mark") == NONE:
        _second_side(work)
        return
    fits: dict[str, list[tuple[int, str, str]]] = {role: [] for role in MARKS}
    empty: dict[str, list[tuple[int, str, str]]] = {role: [] for role in MARKS}
    refused: list[int] = []
    sides = {role: [place for place, _ in work.claims(role)] for role in MARKS}
    for place, claim in work.claims(*MARKS):
        paired = all(len(sides[role]) == 1 for role in MARKS[1:]) and claim.role != "mark"
        if not claim.strong and not paired:
            continue
        state, why = fit(claim.role, work.cells[place])
        if state == YES:
            fits[claim.role].append((place, claim.why, why))
        elif state == EMPTY:
            empty[claim.role].append((place, claim.why, why))
        else:
            refused.append(place)
            work.why_not[place] = why
    either, left, right = (len(fits[role]) for role in MARKS)
    if not either + left + right:
        _ask_mark(work, refused)
    elif (either, left, right) == (1, 0, 0):
        place, *reasons = fits["mark"][0]
        work.take("mark", place, AGREED, *reasons)
    elif not either and max(left, right) == 1:
        _ask_refused(work, refused)
        for role in MARKS[1:]:
            for place, *reasons in fits[role] or empty[role][:1]:
                work.take(role, place, AGREED, *reasons)
    else:
        found = [place for role in MARKS for place, *_ in fits[role]]
        role = "mark" if either else MARKS[1] if left > 1 else MARKS[2]
        places = found if either else [place for place, *_ in fits[role]]
        work.ask(f"several columns look like the {role}: {work.listed(found)}", role, places)


def _second_side(work: Findings) -> None:
    """The other ear's column, where one was named."""
    for role, other in (MARKS[1:], MARKS[:0:-1]):
        if other not in work.taken or not work.open(role):
            continue
        named = work.header.headings[work.taken[other].place]
        paired = any(claim.role == other and not claim.strong for claim in named.claims)
        claims = [place for place, claim in work.claims(role) if claim.strong or paired]
        if len(claims) == 1:
            place = claims[0]
            if fit(role, work.cells[place])[0] in (YES, EMPTY):
                work.take(role, place, AGREED, "its heading names the other ear")


def _ask_mark(work: Findings, refused: Sequence[int]) -> None:
    likely = [place for place, _ in work.claims(*MARKS) if place not in refused]
    likely += [
        place
        for place, cells in enumerate(work.cells)
        if place not in likely
        and work.free(place)
        and not _says_otherwise(work.header.headings[place])
        and could_be_mark(cells)
    ]
    likely = [p for p in likely if fit("mark", work.cells[p])[0] == YES]
    _ask_refused(work, refused)
    named = work.listed(likely, " or ")
    text = "no column is surely the mark" + (f"; it may be {named}" if named else "")
    work.ask(text, "mark", likely[:MOST_LISTED] or list(refused))


def _says_otherwise(heading: Heading) -> bool:
    """Whether a heading names something that is no mark; numbers of animals may be marks."""
    others = {claim.role for claim in heading.claims if claim.strong} - {"animal_id", "ear", *MARKS}
    return bool(heading.excluded or others or "name" in heading.kinds)


def _ask_refused(work: Findings, refused: Sequence[int]) -> None:
    for place in refused:
        text = f"{work.named(place)} is headed like a mark, but {work.why_not[place]}"
        roles = [c.role for c in work.header.headings[place].claims if c.role in MARKS]
        if roles[0] == "mark":
            work.questions.append(Question(text))
        else:
            work.ask(text, roles[0], [place], {roles[0]: NONE})
