"""Rules of marks, their sources and the rows that break them, as text and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from typing import Any, Final, Protocol

from legibility.marks.profiles import RuleProfile
from legibility.marks.rules import Rules
from legibility.marks.space import count_marks
from legibility.marks.year_letters import YearLetters

WIDTH: Final = 98
"""Choice: fits a terminal of 100 columns."""


class Problem(Protocol):
    """One thing wrong with one row of a registry."""

    @property
    def line(self) -> int:
        """Line of the file."""

    @property
    def field(self) -> str:
        """Column; empty for the row as a whole."""

    @property
    def problem(self) -> str:
        """What was found and what was expected."""


def profile_record(profile: RuleProfile) -> dict[str, Any]:
    """A ready-made profile of rules; keys as in the file."""
    return {
        "kind": "rules",
        "name": profile.name,
        "title": profile.title,
        "source": profile.source,
        "dated": profile.dated,
        "note": profile.note,
        "marks": count_marks(profile.rules),
        "toml": profile.text,
    }


def year_table_record(table: YearLetters) -> dict[str, Any]:
    """A table of year letters."""
    return {
        "kind": "year_letters",
        "name": table.name,
        "title": table.title,
        "source": table.source,
        "dated": table.dated,
        "note": table.note,
        "letters": table.letters,
        "first_year": table.first_year,
    }


def profile_list(profiles: Sequence[RuleProfile], tables: Sequence[YearLetters]) -> str:
    """All ready-made rules and year tables, with source and date."""
    lines = ['Rules of marks (in a rules file: profile = "NAME")', ""]
    for profile in profiles:
        lines += _item(profile.name, profile.title, f"{profile.source} ({profile.dated})")
    lines += ["", 'Year letters (in a rules file: year_letters = "NAME")', ""]
    for table in tables:
        lines += _item(table.name, table.title, f"{table.source} ({table.dated})")
    return "\n".join(lines) + "\n"


def profile_text(profile: RuleProfile) -> str:
    """One ready-made profile: where it is from, what it cannot say, and the rules themselves."""
    note = textwrap.fill(profile.note, WIDTH - 10, subsequent_indent=" " * 10)
    return (
        f"{profile.title}\n\n"
        f"  Source  {profile.source}\n  Date    {profile.dated}\n  Note    {note}\n"
        f"  Marks   {count_marks(profile.rules):,}\n\n{profile.text}"
    )


def rules_text(rules: Rules, examples: Iterable[str]) -> str:
    """How many marks rules allow, and some of them."""
    name = f"{rules.name}: " if rules.name else ""
    return f"{name}{count_marks(rules):,} marks are allowed, for instance {', '.join(examples)}\n"


def check_record(
    registry: str, rows: int, problems: Sequence[Problem], notices: Sequence[str]
) -> dict[str, Any]:
    """What a check of a registry found."""
    return {
        "registry": registry,
        "rows": rows,
        "problems": [{"line": p.line, "field": p.field, "problem": p.problem} for p in problems],
        "notices": list(notices),
    }


def check_text(
    registry: str, rows: int, problems: Sequence[Problem], notices: Sequence[str]
) -> str:
    """The same for people: one line a problem."""
    wide = max((len(p.field) for p in problems), default=0)
    margin = " " * (16 + wide)
    lines = [
        textwrap.fill(
            f"line {p.line:>7}  {p.field:<{wide}}  {p.problem}", WIDTH, subsequent_indent=margin
        )
        for p in problems
    ]
    lines += [f"Note: {notice}" for notice in notices]
    rows_text = f"{rows:,} row" + ("" if rows == 1 else "s")
    bad = len({p.line for p in problems})
    if bad:
        lines.append(f"{registry}: {bad:,} of {rows_text} cannot be used; nothing was imported")
    else:
        lines.append(f"{registry}: {rows_text}, all keep to the rules")
    return "\n".join(lines) + "\n"


def _item(name: str, title: str, source: str) -> list[str]:
    first = f"  {name:<25} {title}"
    more = textwrap.wrap(source, WIDTH - 28)
    return [first, *(" " * 28 + line for line in more)]
