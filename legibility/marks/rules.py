"""Which marks a herd's rules allow: for each ear and row, place by place."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from legibility.alphabet import CHARACTERS, LONGEST_ROW, ROW_SEPARATOR, index_of, split_mark
from legibility.marks.check_characters import (
    DIGITS,
    LETTERS,
    SCHEMES,
    CheckScheme,
    check_characters,
)
from legibility.marks.patterns import Place, Vocabulary, row_shapes
from legibility.marks.year_letters import PROFILES, YearLetters, unnamed_reason

MAX_LAYOUTS: Final = 1000
"""Choice: most kinds of marks; 156 are those of one or two rows of 1 to 12 characters."""
COVERS: Final = {"all": CHARACTERS, "digits": DIGITS, "letters": LETTERS}
"""Which characters before it a check character is computed over."""
EARS: Final = ("", "left", "right", "both")


@dataclass(frozen=True, slots=True)
class Form:
    """One form that a mark may have."""

    rows: tuple[str, ...]
    """One or two patterns, see :mod:`legibility.marks.patterns`."""
    ear: str = ""
    """``"left"`` or ``"right"``; empty: either."""
    check: str = ""
    """Name in ``check_characters.SCHEMES``; empty: no check character."""
    check_covers: str = "all"
    """Key of ``COVERS``."""


@dataclass(frozen=True, slots=True)
class Rules:
    """Marks that may exist in a herd.

    The default allows what a die set can hold; nothing is assumed about a herd's own scheme.
    Without ``forms`` the row lengths decide; with them only marks of one of the forms exist.
    """

    characters: str = CHARACTERS
    """Characters in use, a subset of ``alphabet.CHARACTERS``."""
    shortest_row: int = 1
    """Fewest characters in a row."""
    longest_row: int = 8
    """Most characters in a row; choice, one society's handbook allows 8 in an ear."""
    max_rows: int = 2
    """One or two rows."""
    exclude: str = ""
    """Characters not in use after all."""
    prefix: str = ""
    """What every mark of the herd begins with, or stands for ``{prefix}`` in forms."""
    year_letters: str = ""
    """Name of the year table in ``year_letters.PROFILES``; empty: marks have no year letter."""
    forms: tuple[Form, ...] = ()
    name: str = ""
    """What these rules are called, for people."""
    columns: tuple[tuple[str, str], ...] = ()
    """Which column of the registry holds what: pairs of :mod:`legibility.tables.choice`."""

    @property
    def is_silent(self) -> bool:
        """Whether they say nothing of marks, only of columns."""
        return bool(self.columns) and self == Rules(longest_row=LONGEST_ROW, columns=self.columns)

    @property
    def in_use(self) -> str:
        """Characters in use without those excluded."""
        return "".join(c for c in self.characters if c not in self.exclude)

    @property
    def year_table(self) -> YearLetters | None:
        """The table that year letters are read with."""
        return PROFILES.get(self.year_letters)

    def problem(self, mark: str, *, ear: str = "", birth_year: int = 0) -> str:
        """Why a well-formed mark breaks these rules, as a sentence; empty when it does not.

        Parameters
        ----------
        mark : str
            Upper case, ``/`` between rows.
        ear : str
            ``"left"``, ``"right"``, ``"both"``; empty: not known, so either will do.
        birth_year : int
            0 = not known; otherwise a year letter has to agree with it.
        """
        for side in ("left", "right") if ear == "both" else (ear,):
            problem = _problem(self, mark, side, birth_year)
            if problem:
                return problem
        return ""

    def birth_years(self, mark: str, *, latest: int, ear: str = "") -> tuple[int, ...]:
        """Every year of birth that a mark's year letter may mean, newest first.

        Old and young animals share a letter, so there are two as a rule; none when the mark has
        no year letter.
        """
        rows, table = split_mark(mark), self.year_table
        if table is None:
            return ()
        years = set[int]()
        for layout in layouts_of(self, ear=ear):
            if layout.fits(rows):
                for letter in layout.year_characters(rows):
                    years |= set(table.years(letter, latest=latest))
        return tuple(sorted(years, reverse=True))


def of_marks(rules: Rules | None) -> Rules | None:
    """Rules that say something of marks; None for those that only name columns."""
    return None if rules is None or rules.is_silent else rules


@dataclass(frozen=True, slots=True)
class Layout:
    """One kind of mark with a fixed number of characters; what a form is made of."""

    rows: tuple[tuple[Place, ...], ...]
    form: int
    """Which of the forms it belongs to, from 0; -1 for rules without forms."""
    scheme: CheckScheme | None = None
    covers: str = CHARACTERS
    """Characters before the check character that it is computed over."""

    @property
    def lengths(self) -> tuple[int, ...]:
        """Number of characters of each row."""
        return tuple(len(row) for row in self.rows)

    @property
    def places(self) -> tuple[Place, ...]:
        """All places, row after row."""
        return tuple(place for row in self.rows for place in row)

    def wrong_places(self, rows: tuple[str, ...]) -> list[tuple[int, int]]:
        """Row and place (from 0) of every character that may not stand there; lengths agree."""
        return [
            (r, p)
            for r, (places, text) in enumerate(zip(self.rows, rows, strict=True))
            for p, (place, character) in enumerate(zip(places, text, strict=True))
            if character not in place.allowed
        ]

    def check_wanted(self, rows: tuple[str, ...]) -> str:
        """Check characters that the others ask for; empty when no die has them."""
        if self.scheme is None:
            return ""
        return check_characters(self.scheme, "".join(rows)[: -self.scheme.length], self.covers)

    def fits(self, rows: tuple[str, ...]) -> bool:
        """Whether a mark is one of this kind."""
        if tuple(map(len, rows)) != self.lengths or self.wrong_places(rows):
            return False
        wanted = self.check_wanted(rows)
        return self.scheme is None or (wanted != "" and "".join(rows).endswith(wanted))

    def year_characters(self, rows: tuple[str, ...]) -> list[str]:
        """Characters of a mark of this kind that stand for the year."""
        text = "".join(rows)
        return [text[n] for n, place in enumerate(self.places) if place.role == "year"]


@lru_cache(maxsize=256)
def layouts_of(rules: Rules, *, ear: str = "", birth_year: int = 0) -> tuple[Layout, ...]:
    """All kinds of marks of fixed length that rules allow.

    Parameters
    ----------
    rules : Rules
    ear : str
        ``"left"`` or ``"right"``: only forms of that ear; ``""`` or ``"both"``: all forms.
    birth_year : int
        Not 0: year letters are that year's only.

    Raises
    ------
    ValueError
        If the rules contradict themselves; the message begins with the key.
    """
    found = _of_forms(rules, ear) if rules.forms else _of_lengths(rules)
    if len(found) > MAX_LAYOUTS:
        raise ValueError(f"forms: {len(found)} kinds of marks; expected at most {MAX_LAYOUTS}")
    table = rules.year_table
    if birth_year and table is not None:
        letter = table.letter(birth_year)
        found = [
            replace(
                layout,
                rows=tuple(
                    tuple(replace(p, allowed=letter) if p.role == "year" else p for p in row)
                    for row in layout.rows
                ),
            )
            for layout in found
        ]
    return tuple(found)


@lru_cache(maxsize=1024)
def allowed_pattern(rules: Rules, *, ear: str = "", birth_year: int = 0) -> re.Pattern[str]:
    """Expression that only marks without a problem match, for going through many rows quickly.

    Marks with a check character never match; :meth:`Rules.problem` has to be asked about them.
    """
    if not rules.forms:
        free, low, high = f"[{rules.in_use}]", rules.shortest_row, rules.longest_row
        begun = len(rules.prefix)
        if begun > high:
            return re.compile(r"(?!)")
        first = f"{rules.prefix}{free}{{{max(low - begun, 0)},{max(high - begun, 0)}}}"
        second = f"(?:/{free}{{{low},{high}}})?" if rules.max_rows == 2 else ""
        return re.compile(first + second)
    texts = [
        ROW_SEPARATOR.join("".join(f"[{place.allowed}]" for place in row) for row in layout.rows)
        for layout in layouts_of(rules, ear=ear, birth_year=birth_year)
        if layout.scheme is None and all(place.allowed for place in layout.places)
    ]
    return re.compile("|".join(texts) or r"(?!)")


def _of_lengths(rules: Rules) -> list[Layout]:
    free = Place("".join(c for c in CHARACTERS if c in rules.in_use))
    start = tuple(Place(character, "prefix") for character in rules.prefix)
    lengths = range(rules.shortest_row, rules.longest_row + 1)
    first = [start + (free,) * (n - len(start)) for n in lengths if n >= len(start)]
    found = [Layout((row,), -1) for row in first]
    if rules.max_rows == 2:
        found += [Layout((row, (free,) * n), -1) for row in first for n in lengths]
    return found


def _of_forms(rules: Rules, ear: str) -> list[Layout]:
    found = []
    for number, form in enumerate(rules.forms):
        if ear in ("left", "right") and form.ear not in ("", ear):
            continue
        where = f"forms: form {number + 1}"
        scheme = SCHEMES.get(form.check)
        table = rules.year_table
        vocabulary = Vocabulary(
            in_use=rules.in_use,
            prefix=rules.prefix,
            year=table.letters if table else "",
            check="".join(c for c in scheme.written if c in rules.in_use) if scheme else "",
            check_length=scheme.length if scheme else 0,
        )
        if table is None and any("{year}" in row for row in form.rows):
            raise ValueError(f"{where}: rows: {unnamed_reason()}")
        try:
            shapes = [row_shapes(row, vocabulary) for row in form.rows]
        except ValueError as error:
            raise ValueError(f"{where}: rows: {error}") from error
        for rows in itertools.product(*shapes):
            layout = Layout(rows, number, scheme, COVERS[form.check_covers])
            problem = _check_problem(layout, form)
            if problem:
                raise ValueError(f"{where}: {problem}")
            found.append(layout)
    return found


def _check_problem(layout: Layout, form: Form) -> str:
    """What is wrong with where the check character stands, or with what it is computed over."""
    places, scheme = layout.places, layout.scheme
    if scheme is None:
        return ""
    roles = [place.role == "check" for place in places]
    if roles != [False] * (len(roles) - scheme.length) + [True] * scheme.length:
        return f"rows: {{check}} has to stand once, at the mark's end ({form.check} is named)"
    if not places[-1].allowed:
        return f"check: no check character of {form.check} is in use"
    for place in places[: -scheme.length]:
        inside = [character in layout.covers for character in place.allowed]
        if any(inside) and not all(inside):
            return (
                f"check_covers: {form.check_covers}, but a place may hold letters and digits; "
                "expected places of one kind"
            )
        if any(inside) and not set(place.allowed) <= set(scheme.covered):
            return (
                f"check: {form.check} is computed over {scheme.covered} only; a place before it "
                f'allows {place.allowed}; expected check_covers = "digits" or "letters", or '
                "another check"
            )
    return ""


def _problem(rules: Rules, mark: str, ear: str, birth_year: int) -> str:
    rows = split_mark(mark)
    if not rules.forms:
        return _length_problem(rules, mark, rows)
    shape = tuple(map(len, rows))
    of_ear = _by_lengths(rules, ear)
    layouts = of_ear.get(shape, ())
    side = f" in the {ear} ear" if ear else ""
    if not layouts:
        have = " and ".join(map(str, shape))
        found = f"rows of {have} characters" if len(shape) > 1 else f"a row of {have} characters"
        return f"mark {mark!r} has {found}; the rules allow{side} {_known_lengths(of_ear)}"
    wrong = [layout.wrong_places(rows) for layout in layouts]
    fitting = [layout for layout, places in zip(layouts, wrong, strict=True) if not places]
    if not fitting:
        nearest = min(range(len(wrong)), key=lambda n: len(wrong[n]))
        return _place_problem(mark, rows, layouts[nearest], wrong[nearest][0], side)
    checked = [layout for layout in fitting if layout.fits(rows)]
    if not checked:
        return _check_mismatch(mark, rows, fitting[0])
    return _year_problem(rules, mark, rows, checked, birth_year) if birth_year else ""


def _known_lengths(layouts: Iterable[tuple[int, ...]]) -> str:
    """``one row of 5 to 9 characters or two rows of 3 to 4 and 2 to 5 characters``."""
    found = []
    for rows, words in ((1, "one row of"), (2, "two rows of")):
        lengths = [lengths for lengths in layouts if len(lengths) == rows]
        if lengths:
            spans = [(min(row), max(row)) for row in zip(*lengths, strict=True)]
            texts = [str(low) if low == high else f"{low} to {high}" for low, high in spans]
            found.append(f"{words} {' and '.join(texts)} characters")
    return " or ".join(found) or "no mark"


@lru_cache(maxsize=256)
def _by_lengths(rules: Rules, ear: str) -> dict[tuple[int, ...], tuple[Layout, ...]]:
    found: dict[tuple[int, ...], tuple[Layout, ...]] = {}
    for layout in layouts_of(rules, ear=ear):
        found[layout.lengths] = (*found.get(layout.lengths, ()), layout)
    return found


def _length_problem(rules: Rules, mark: str, rows: tuple[str, ...]) -> str:
    if len(rows) > rules.max_rows:
        return f"mark {mark!r} has {len(rows)} rows; the rules allow {rules.max_rows}"
    for number, row in enumerate(rows):
        if not rules.shortest_row <= len(row) <= rules.longest_row:
            return (
                f"mark {mark!r} has a row of {len(row)} characters; the rules allow "
                f"{rules.shortest_row} to {rules.longest_row}"
            )
        rest = row.removeprefix(rules.prefix) if number == 0 else row
        for character in rest:
            if character not in rules.characters or character in rules.exclude:
                return f"mark {mark!r} has {character!r}, which the rules do not allow"
    if not mark.startswith(rules.prefix):
        return f"mark {mark!r} does not begin with the herd's prefix {rules.prefix!r}"
    return ""


def _place_problem(
    mark: str, rows: tuple[str, ...], layout: Layout, wrong: tuple[int, int], side: str
) -> str:
    row, place = wrong
    wanted = layout.rows[row][place]
    what = {"year": " (year letter)", "prefix": " (herd's prefix)", "check": " (check character)"}
    where = f"place {place + 1}" + (f" of row {row + 1}" if len(rows) > 1 else "")
    return (
        f"mark {mark!r} has {rows[row][place]!r} at {where}{what.get(wanted.role, '')}; the rules "
        f"allow{side} {ROW_SEPARATOR.join(character_ranges(wanted.allowed))}"
    )


def character_ranges(characters: str) -> list[str]:
    """``["A-H", "J", "1-9"]`` for characters in order."""
    runs: list[list[str]] = []
    for character in characters:
        follows = runs and index_of(character) == index_of(runs[-1][-1]) + 1
        if follows and character != "0":
            runs[-1].append(character)
        else:
            runs.append([character])
    return [run[0] if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs]


def _check_mismatch(mark: str, rows: tuple[str, ...], layout: Layout) -> str:
    wanted, name = layout.check_wanted(rows), layout.scheme.name if layout.scheme else ""
    if not wanted:
        return f"mark {mark!r} has no check character that a die can press ({name}); not issued"
    return f"mark {mark!r} ends with {mark[-len(wanted) :]!r}; its check ({name}) is {wanted!r}"


def _year_problem(
    rules: Rules, mark: str, rows: tuple[str, ...], layouts: list[Layout], birth_year: int
) -> str:
    table = rules.year_table
    letters = [layout.year_characters(rows) for layout in layouts]
    if table is None or any(
        all(letter == table.letter(birth_year) for letter in found) for found in letters
    ):
        return ""
    letter = letters[0][0]
    cycle = len(table.letters)
    near = table.years(letter, latest=birth_year + cycle - 1, oldest_years=2 * cycle - 2)
    years = " or ".join(map(str, near))
    return (
        f"birth_year is {birth_year}, but the year letter {letter!r} of mark {mark!r} means "
        f"{years or 'no year'} ({table.name}); {birth_year} has {table.letter(birth_year)!r}"
    )


__all__ = [
    "COVERS",
    "EARS",
    "LONGEST_ROW",
    "Form",
    "Layout",
    "Rules",
    "allowed_pattern",
    "character_ranges",
    "layouts_of",
]
