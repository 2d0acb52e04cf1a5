"""What ``legibility rules`` shows for each of its questions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

import click

from legibility.marks.rules_file import load_rules
from legibility.marks.year_letters import PROFILES, unnamed_reason

EXAMPLES: Final = 4
"""Choice: marks shown as examples of a rules file."""


@dataclass(frozen=True, slots=True)
class Shown:
    """An answer as text and as JSON objects."""

    text: str
    records: Sequence[Mapping[str, Any]]
    bad: bool = False
    """Whether rows or the mark break the rules."""


def profile_lines(name: str | None) -> Shown:
    """All published rules, or one of them."""
    from legibility.marks.profiles import rule_profiles
    from legibility.report import rules as report

    profiles = rule_profiles()
    if name is None:
        records = [report.profile_record(profile) for profile in profiles]
        records += [report.year_table_record(table) for table in PROFILES.values()]
        return Shown(report.profile_list(profiles, list(PROFILES.values())), records)
    for profile in profiles:
        if profile.name == name:
            return Shown(report.profile_text(profile), [report.profile_record(profile)])
    known = ", ".join(profile.name for profile in profiles)
    raise click.BadParameter(f"{name!r} is none of {known}", param_hint="--show")


def check_lines(registry: Path, rules: Path | None, columns: Mapping[str, str]) -> Shown:
    """Every row of a registry that cannot be used."""
    from legibility.identify.registry import check_registry
    from legibility.report import rules as report
    from legibility.tables.reader import ascii_safe

    known = load_rules(rules) if rules else None
    found = check_registry(registry, rules=known, columns=columns)
    arguments = (ascii_safe(registry), found.rows, found.problems, found.notices)
    return Shown(
        report.check_text(*arguments), [report.check_record(*arguments)], bool(found.problems)
    )


def rules_lines(path: Path, mark: str | None) -> Shown:
    """How many marks a rules file allows, or what it says of one mark."""
    import numpy as np

    from legibility.identify.rowcheck import check_mark
    from legibility.marks.space import count_marks, sample_marks
    from legibility.report import rules as report

    rules = load_rules(path)
    if mark is not None:
        text, problem = check_mark(mark, rules)
        latest = date.today().year
        years = () if problem else rules.birth_years(text, latest=latest)
        said = problem or f"mark {text!r} is allowed"
        born = f"; year of birth by its letter: {' or '.join(map(str, years))}" if years else ""
        answer: dict[str, Any] = {
            "mark": text or mark,
            "problem": problem,
            "birth_years": list(years),
        }
        return Shown(f"{said}{born}\n", [answer], bool(problem))
    marks = count_marks(rules)
    examples = sample_marks(rules, np.random.default_rng(1), EXAMPLES if marks else 0)
    record: dict[str, Any] = {
        "rules": str(path),
        "name": rules.name,
        "marks": marks,
        "examples": examples,
    }
    return Shown(report.rules_text(rules, examples), [record])


def letter_lines(letter: str, table: str) -> Shown:
    """Years that a letter may mean in a named table."""
    letter = letter.strip().upper()
    if not table:
        raise click.BadParameter(
            unnamed_reason(letter).replace("year_letters = ", "--table "), param_hint="--letter"
        )
    if table not in PROFILES:
        raise click.BadParameter(
            f"{table!r} is none of {', '.join(PROFILES)}", param_hint="--table"
        )
    profile = PROFILES[table]
    years = profile.years(letter, latest=date.today().year)
    meaning = " or ".join(map(str, years)) or f"no year; letters in use: {profile.letters}"
    return Shown(
        f"{letter} ({table}): {meaning}\n",
        [{"letter": letter, "table": table, "years": years, "source": profile.source}],
    )
