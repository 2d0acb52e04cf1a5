"""Marks that come next: the herd's numbers go on where they stand, this year's letter with them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain, islice, zip_longest
from statistics import median
from typing import Final

import numpy as np
from scipy.stats import spearmanr

from legibility.marks.check_characters import SCHEMES, check_characters
from legibility.marks.learned import LearnedRules
from legibility.marks.learned_lines import plain_marks
from legibility.marks.learned_match import Matcher
from legibility.marks.learned_runs import DENSE
from legibility.marks.rules import COVERS, Rules

MOST_DRAWN: Final = 1_000_000
"""Choice: longer numbers are drawn among so many of the lowest."""
LEAST_SERIES: Final = 5
"""Choice: marks that show how a herd numbers."""
FEWER: Final = 4
"""Choice: a series this many times smaller than the largest does not go on."""
NEWEST: Final = 2
"""Choice: series go on that had a mark within so many years of the latest birth."""
RISING: Final = 0.9
"""Choice: rank correlation of numbers with years of birth from which a herd numbers in turn,
however many animals have left since."""
RISING_YEARS: Final = 4
"""Choice: years of birth that show it; fewer rise by chance."""
_NUMBER: Final = re.compile(r"[0-9]+")


@dataclass(slots=True)
class Series:
    """Marks that differ in their number, and where there is one in the year's letter, only."""

    head: str
    """What stands before the number, with the letter of the year asked for."""
    tail: str
    """What stands after it, a check character aside."""
    form: int
    numbers: dict[str, set[int]] = field(default_factory=dict)
    """By the year's letter; by nothing where there is none."""
    width: int = 0
    """Figures of numbers that are filled up with zeros; 0: they are not."""
    newest: int = 0
    """Latest year of birth; 0 = none known."""
    born: list[tuple[int, int]] = field(default_factory=list)
    """Year of birth and number, where both are known."""

    @property
    def size(self) -> int:
        """How many marks."""
        return sum(map(len, self.numbers.values()))

    @property
    def is_in_turn(self) -> bool:
        """Whether the numbers follow one another; else they stand for something else."""
        known = set().union(*self.numbers.values())
        if len(known) < LEAST_SERIES:
            return False
        return len(known) >= DENSE * (max(known) - min(known) + 1) or self._rises

    @property
    def _rises(self) -> bool:
        """Whether the numbers rise with the years of birth, as where most animals have left."""
        if not self.born:
            return False
        years, numbers = np.array(self.born).T
        if len(np.unique(years)) < RISING_YEARS or len(np.unique(numbers)) == 1:
            return False
        return bool(spearmanr(years, numbers).statistic >= RISING)

    def start(self, letter: str) -> int:
        """The next number of a year."""
        if letter in self.numbers:
            return max(self.numbers[letter]) + 1
        firsts = [min(numbers) for numbers in self.numbers.values()]
        lasts = [max(numbers) for numbers in self.numbers.values()]
        # Numbers that begin anew each year, or go on through the years.
        return int(median(firsts)) if 2 * median(firsts) <= median(lasts) else max(lasts) + 1

    def drawn(self, rng: np.random.Generator, most: int) -> list[int]:
        """Numbers of as many figures as the herd's, in any order."""
        known = set().union(*self.numbers.values())
        figures = self.width or len(str(max(known)))
        low = 0 if self.width else 10 ** (figures - 1)
        span = 10**figures - low
        return [low + int(k) for k in rng.permutation(min(span, MOST_DRAWN))[:most]]


def rules_of_year(rules: Rules, year: int) -> Rules:
    """The same rules with the year's letter in place of ``{year}``.

    Examples
    --------
    >>> rules = Rules(year_letters="bif", forms=(Form(("#{3}{year}",)),))
    >>> rules_of_year(rules, 2024).forms[0].rows
    ('#{3}M',)
    """
    if rules.year_table is None:
        return rules
    letter = rules.year_table.letter(year)
    forms = tuple(
        replace(form, rows=tuple(row.replace("{year}", letter) for row in form.rows))
        for form in rules.forms
    )
    return replace(rules, forms=forms, year_letters="")


@dataclass(frozen=True, slots=True)
class Coming:
    """Marks that may come next, nearest first."""

    marks: tuple[str, ...]
    in_turn: bool
    """They follow the herd's numbers; else they are drawn, with letters that it uses."""


def coming_marks(
    learned: LearnedRules,
    marks: Sequence[str],
    *,
    birth_years: Sequence[int] = (),
    year: int,
    most: int,
    seed: int = 1,
) -> Coming:
    """Marks that continue the way the herd numbers, with the letters of its latest animals.

    Parameters
    ----------
    learned : LearnedRules
    marks : sequence of str
        All that are taken.
    birth_years : sequence of int
        Of their animals, as far as known; 0 = not known.
    year : int
        Whose letter new marks have.
    most : int
        Marks wanted.
    seed : int
        Of the numbers that are drawn where the herd does not number in turn.
    """
    rules = learned.rules
    every = _series(rules, marks, birth_years, year)
    in_turn = [one for one in every if one.is_in_turn]
    going = in_turn or every
    if not going:
        return Coming((), in_turn=False)
    latest = max(one.newest for one in going)
    going = [one for one in going if one.newest > latest - NEWEST]
    going.sort(key=lambda one: -one.size)
    if in_turn or 2 * going[0].size > sum(one.size for one in going):
        # Small series beside a large one are other people's animals, numbered elsewhere, or marks
        # that the list writes without the herd's prefix.
        going = [one for one in going if FEWER * one.size >= going[0].size]
    allowed = Matcher(rules_of_year(rules, year))
    letter = rules.year_table.letter(year) if rules.year_table else ""
    if in_turn:
        numbers: list[Iterable[int]] = [
            range(one.start(letter), one.start(letter) + most) for one in going
        ]
    else:
        rng = np.random.default_rng(seed)
        numbers = [one.drawn(rng, most) for one in going]
    turns = zip_longest(
        *(_written(one, n, rules, allowed) for one, n in zip(going, numbers, strict=True))
    )
    found = islice((mark for mark in chain.from_iterable(turns) if mark), most)
    return Coming(tuple(found), in_turn=bool(in_turn))


def _series(
    rules: Rules, marks: Sequence[str], birth_years: Sequence[int], year: int
) -> list[Series]:
    matcher = Matcher(rules)
    letter = rules.year_table.letter(year) if rules.year_table else ""
    found: dict[tuple[str, str, int], Series] = {}
    years = [*birth_years, *[0] * (len(marks) - len(birth_years))]
    for mark, born in zip(plain_marks(marks), years, strict=True):
        form = matcher.kept(mark).form if mark else -1
        if form < 0:
            continue
        check = rules.forms[form].check
        body = mark[: -SCHEMES[check].length] if check else mark
        at = max(_NUMBER.finditer(body), key=lambda run: len(run[0]), default=None)
        if at is None:
            continue
        place, own = matcher.year_place(mark, form), ""
        if place >= 0:
            own = mark[place]
            body = body[:place] + letter + body[place + 1 :]
        head, tail = body[: at.start()], body[at.end() :]
        one = found.setdefault((head, tail, form), Series(head, tail, form))
        one.numbers.setdefault(own, set()).add(int(at[0]))
        if at[0][0] == "0" and len(at[0]) > 1:
            one.width = len(at[0])
        one.newest = max(one.newest, 0 if own else born)
        if born and not own:
            one.born.append((born, int(at[0])))
    return list(found.values())


def _written(one: Series, numbers: Iterable[int], rules: Rules, allowed: Matcher) -> Iterator[str]:
    """Marks of a series with these numbers, up to the first that no form has room for."""
    form = rules.forms[one.form]
    for number in numbers:
        mark = f"{one.head}{number:0{one.width}d}{one.tail}"
        if form.check:
            written = check_characters(SCHEMES[form.check], mark, COVERS[form.check_covers])
            mark += written
            if not written:
                continue
        if allowed.kept(mark).form < 0:
            return
        yield mark
