"""The rules learned from marks, beside the rules that the marks were drawn from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Final

import numpy as np

from legibility.alphabet import CHARACTERS, ROW_SEPARATOR
from legibility.marks.learned import LearnedRules, learned_rules
from legibility.marks.profiles import rule_profiles
from legibility.marks.rules import LONGEST_ROW, Form, Rules, layouts_of
from legibility.marks.space import sample_marks
from legibility.report.layout import columns

SIZES: Final = (50, 500)
"""Choice: marks of a small and of a large herd."""
FRESH: Final = 2_000
"""Choice: allowed marks that are drawn anew; a share is then known to 1 in 100."""
WRONG: Final = 500
"""Choice: forbidden marks of each kind, each one change away from an allowed one."""
YEARS: Final = (2012, 2025)
"""Choice: years of birth of the drawn animals; the letters of 14 years."""
TRIES: Final = 12
"""Choice: changes tried on a mark before it is said to have no forbidden neighbour of a kind."""
NONE_AMONG: Final = 50
"""Choice: so many marks without one show that the rules have no such neighbours."""
MADE_UP: Final = {
    "(check: damm)": Rules(forms=(Form(("HD#{4}{check}",), check="damm", check_covers="digits"),)),
    "(check: mod-37-36)": Rules(forms=(Form(("@{2}", "#{3}{check}"), check="mod-37-36"),)),
}
"""No published profile here has a check character; these two stand for those that do."""
HEAD: Final = (
    "Rules learned from so many marks of each profile, years of birth given: how many of the",
    "marks that the profile allows they keep, and how many that it forbids they exclude. A",
    "forbidden mark is one change away from an allowed one; - where the profile forbids none.",
)
KINDS: Final = ("character", "length", "year", "check")


@dataclass(frozen=True, slots=True)
class Drawn:
    """A mark with what its row of a registry says besides."""

    mark: str
    ear: str
    year: int


@dataclass(frozen=True, slots=True)
class Compared:
    """Learned rules beside those that the marks were drawn from."""

    profile: str
    learned: LearnedRules
    kept: float
    """Share of allowed marks that the learned rules allow."""
    excluded: dict[str, float]
    """Share of forbidden marks that they forbid, for each of ``KINDS`` that exists."""


def compared(
    name: str, rules: Rules, n: int, *, seed: int = 1, fresh: int = FRESH, wrong: int = WRONG
) -> Compared:
    """Rules learned from ``n`` marks of others."""
    rng = np.random.default_rng([seed, n, *name.encode()])
    seen = draws(rules, rng, n)
    learned = learned_rules(
        [one.mark for one in seen],
        ears=[one.ear for one in seen],
        birth_years=[one.year for one in seen],
    )
    new = draws(rules, rng, fresh)
    kept = np.mean([not _problem(learned.rules, one) for one in new])
    excluded = {}
    for kind in KINDS:
        misses = list(islice(near_misses(rules, new, kind, rng), wrong))
        if misses:
            excluded[kind] = float(np.mean([bool(_problem(learned.rules, one)) for one in misses]))
    return Compared(name, learned, float(kept), excluded)


def draws(rules: Rules, rng: np.random.Generator, n: int) -> list[Drawn]:
    """Marks at random with ear and year of birth, each equally likely in its ear and year."""
    ears = sorted({form.ear for form in rules.forms}) or [""]
    ears = ["left", "right"] if ears == [""] else ears
    sides = [ears[k % len(ears)] for k in range(n)]
    years = rng.integers(YEARS[0], YEARS[1] + 1, n).tolist()
    wanted = Counter(
        (ear, year if rules.year_letters else 0) for ear, year in zip(sides, years, strict=True)
    )
    stock = {
        (ear, year): sample_marks(rules, rng, count, ear=ear, birth_year=year)
        for (ear, year), count in sorted(wanted.items())
    }
    return [
        Drawn(stock[ear, year if rules.year_letters else 0].pop(), ear, year)
        for ear, year in zip(sides, years, strict=True)
    ]


def near_misses(
    rules: Rules, marks: Sequence[Drawn], kind: str, rng: np.random.Generator
) -> Iterator[Drawn]:
    """Marks that the rules forbid, each one change away from an allowed one."""
    found = 0
    for number, one in enumerate(marks):
        if not found and number >= NONE_AMONG:
            return
        roles = _roles(rules, one)
        for _ in range(TRIES):
            mark = _changed(rules, one, kind, roles, rng)
            if mark and _problem(rules, wrong := Drawn(mark, one.ear, one.year)):
                found += 1
                yield wrong
                break


def table_lines(found: Sequence[Compared]) -> list[str]:
    """The comparison as a table."""
    heading = ("Profile", "Marks", "Forms", "Allowed kept", *(f"Wrong {kind}" for kind in KINDS))
    rows = [
        (
            one.profile,
            str(one.learned.marks_counted),
            str(len(one.learned.rules.forms)),
            f"{100 * one.kept:.1f} %",
            *(
                f"{100 * one.excluded[kind]:.1f} %" if kind in one.excluded else "-"
                for kind in KINDS
            ),
        )
        for one in found
    ]
    table = columns([heading, *rows], limits=(24, 6, 6, 13, 16, 13, 11, 12), right=_NUMBERS)
    return [*HEAD, "", *table]


_NUMBERS: Final = frozenset(range(1, 8))


def measure(*, seed: int = 1) -> Iterator[Compared]:
    """Every published profile and those with a check character, at each of ``SIZES``."""
    profiles = {profile.name: profile.rules for profile in rule_profiles()} | MADE_UP
    for name, rules in profiles.items():
        for n in SIZES:
            yield compared(name, rules, n, seed=seed)


def _problem(rules: Rules, one: Drawn) -> str:
    year = one.year if rules.year_letters else 0
    return rules.problem(one.mark, ear=one.ear, birth_year=year)


def _changed(
    rules: Rules, one: Drawn, kind: str, roles: Sequence[str], rng: np.random.Generator
) -> str:
    """A mark with one character, or the number of its characters, another; empty for none."""
    if kind == "length":
        return _another_length(rules, one, rng)
    places = [k for k, c in enumerate(one.mark) if c != ROW_SEPARATOR]
    role = kind if kind in ("year", "check") else ""
    own = [place for place, found in zip(places, roles, strict=True) if found == role]
    if not own:
        return ""
    at, characters = int(rng.choice(own)), CHARACTERS
    if role == "year" and rules.year_table is not None:
        characters = rules.year_table.letters
    others = [c for c in characters if c != one.mark[at]]
    if role == "check":
        others = [c for c in others if c.isalpha() == one.mark[at].isalpha()]
    return one.mark[:at] + others[int(rng.integers(len(others)))] + one.mark[at + 1 :]


def _another_length(rules: Rules, one: Drawn, rng: np.random.Generator) -> str:
    rows = one.mark.split(ROW_SEPARATOR)
    r = int(rng.integers(len(rows)))
    at = int(rng.integers(len(rows[r])))
    middle = "" if rng.random() < 0.5 else 2 * rows[r][at]
    rows[r] = rows[r][:at] + middle + rows[r][at + 1 :]
    # A row has 1 to 12 characters; an empty one is no mark whatever the rules say.
    lengths = tuple(map(len, rows))
    fits = all(0 < length <= LONGEST_ROW for length in lengths)
    known = {layout.lengths for layout in layouts_of(rules, ear=one.ear)}
    return ROW_SEPARATOR.join(rows) if fits and lengths not in known else ""


def _roles(rules: Rules, one: Drawn) -> list[str]:
    """``"year"``, ``"check"`` or nothing for each character of a mark."""
    rows = tuple(one.mark.split(ROW_SEPARATOR))
    layout = next(layout for layout in layouts_of(rules, ear=one.ear) if layout.fits(rows))
    return [place.role if place.role in KINDS else "" for place in layout.places]
