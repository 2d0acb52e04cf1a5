"""What is found out of a table's columns, from the surest to what has to be asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from legibility.tables.contents import Contents
from legibility.tables.header_row import Header
from legibility.tables.headings import Claim
from legibility.tables.plain import is_blank
from legibility.tables.sheet import letters

NONE: Final = "none"
"""What a person says for a role that no column holds."""

MOST_LISTED: Final = 5
"""Choice: columns named in one question."""

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


@dataclass(slots=True)
class Findings:
    """What is known so far of a sheet's columns."""

    header: Header
    cells: Sequence[Contents]
    choice: Mapping[str, str]
    first: Sequence[Sequence[str]]
    """The first rows."""
    taken: dict[str, Column] = field(default_factory=dict)
    questions: list[Question] = field(default_factory=list)
    why_not: dict[int, str] = field(default_factory=dict)

    def free(self, place: int) -> bool:
        """Whether a column holds nothing yet."""
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
        """A column holds this."""
        heading = self.header.headings[place].text
        why = tuple(reason for reason in reasons if reason)
        examples = tuple("" if is_blank(row[place]) else row[place].strip() for row in self.first)
        self.taken[role] = Column(role, place, heading, confidence, why, examples)

    def named(self, place: int) -> str:
        """A column with examples, for a question."""
        heading = self.header.headings[place].text
        shown = f"{heading[:40]!r}" if heading else f"column {letters(place)}"
        examples = ", ".join(example[:20] for example in self.cells[place].examples)
        return f"{shown} ({examples})" if examples else f"{shown} (empty)"

    def listed(self, places: Sequence[int], between: str = " and ") -> str:
        """The first of some columns with examples, for a question."""
        return between.join(self.named(place) for place in places[:MOST_LISTED])

    def key(self, place: int) -> str:
        """What to give with ``--columns`` for a column."""
        heading = self.header.headings[place].text
        alone = sum(h.text == heading for h in self.header.headings) == 1
        return heading if heading and alone else letters(place)

    def ask(self, text: str, role: str, places: Sequence[int], *more: Mapping[str, str]) -> None:
        """Ask which of some columns holds this; ``more``: further answers."""
        answers = tuple({role: self.key(place)} for place in places)
        self.questions.append(Question(text, (*answers, *more)))
