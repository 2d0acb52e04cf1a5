"""All marks that rules allow: how many there are, which, and some at random.

Marks that several forms allow count once. The marks of one shape (number of rows, their lengths)
are read from left to right by an automaton whose state is the set of layouts that still fit, each
with the state of its check character; so counts are exact without listing anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import accumulate
from typing import Final, TypeAlias

import numpy as np

from legibility.alphabet import CHARACTERS, ROW_SEPARATOR
from legibility.marks.rules import Layout, Rules, layouts_of

MAX_STATES: Final = 200_000
"""Choice: most states of one shape's automaton; ordinary rules need fewer than ten thousand."""

_State: TypeAlias = frozenset[tuple[int, int]]
"""(layout, state of its check character) of every layout that still fits."""


def count_marks(rules: Rules, *, ear: str = "", birth_year: int = 0) -> int:
    """Exact number of different marks that rules allow.

    Parameters
    ----------
    rules : Rules
    ear : str
        ``"left"`` or ``"right"``: only marks of that ear.
    birth_year : int
        Not 0: only marks with that year's letter, where a form has one.

    Raises
    ------
    ValueError
        If the rules' forms overlap in more than ``MAX_STATES`` ways.

    Examples
    --------
    >>> count_marks(Rules(max_rows=1, longest_row=2)) == 36 + 36**2
    True
    """
    return sum(shape.count for shape in _shapes(rules, ear, birth_year))


def iter_marks(rules: Rules, *, ear: str = "", birth_year: int = 0) -> Iterator[str]:
    """Every mark that rules allow, once: by shape, then in the order of ``CHARACTERS``.

    Parameters and errors as :func:`count_marks`.
    """
    for shape in _shapes(rules, ear, birth_year):
        yield from shape.marks("", 0, shape.start)


def sample_marks(
    rules: Rules,
    rng: np.random.Generator,
    n: int,
    *,
    ear: str = "",
    birth_year: int = 0,
    distinct: bool = False,
) -> list[str]:
    """Marks at random, every mark that the rules allow equally likely.

    Parameters
    ----------
    rules : Rules
    rng : numpy.random.Generator
    n : int
    ear, birth_year
        As :func:`count_marks`.
    distinct : bool
        No mark twice.

    Raises
    ------
    ValueError
        If the rules allow no mark, or fewer than ``n`` distinct ones.
    """
    shapes = _shapes(rules, ear, birth_year)
    total = sum(shape.count for shape in shapes)
    if total < (n if distinct else min(n, 1)):
        raise ValueError(f"the rules allow {total} marks; {n} were asked for")
    ends = list(accumulate(shape.count for shape in shapes))
    if distinct and total <= 4 * n:
        numbers = [int(k) for k in rng.permutation(total)[:n]]
    elif distinct:
        seen: dict[int, None] = {}
        while len(seen) < n:
            seen[_below(rng, total)] = None
        numbers = list(seen)
    else:
        numbers = [_below(rng, total) for _ in range(n)]
    marks = []
    for number in numbers:
        which = next(k for k, end in enumerate(ends) if number < end)
        marks.append(shapes[which].mark(number - ends[which] + shapes[which].count))
    return marks


@lru_cache(maxsize=256)
def layout_shares(rules: Rules) -> tuple[tuple[Layout, float], ...]:
    """Layouts with the share of marks taken to be of each: forms, then lengths equally likely.

    Forms (without them: one row or two) are as good as each other, whatever the number of their
    marks; else nearly every mark would be taken to be of the longest kind.
    """
    layouts = layouts_of(rules)
    kinds = [(layout.form, len(layout.rows) if layout.form < 0 else 0) for layout in layouts]
    return tuple(
        (layout, 1.0 / len(set(kinds)) / kinds.count(kind))
        for layout, kind in zip(layouts, kinds, strict=True)
    )


def log_share(rules: Rules, mark: str) -> float:
    """Log of the share of one mark, its layout's marks equally likely; ``-inf`` when not allowed.

    The shares of all marks sum to one, but for layouts whose every check no die can press.
    """
    rows = tuple(mark.split(ROW_SEPARATOR))
    share = sum(
        share / _layout_count(layout) for layout, share in layout_shares(rules) if layout.fits(rows)
    )
    return float(np.log(share)) if share else -np.inf


@lru_cache(maxsize=1024)
def _layout_count(layout: Layout) -> int:
    return _Shape(layout.lengths, [layout]).count


def _below(rng: np.random.Generator, limit: int) -> int:
    """Whole number from 0 to ``limit - 1``, every one equally likely, however large."""
    size = (limit.bit_length() + 7) // 8
    surplus = 8 * size - limit.bit_length()
    while True:
        number = int.from_bytes(rng.bytes(size)) >> surplus
        if number < limit:
            return number


@dataclass(slots=True)
class _Shape:
    """Automaton of all layouts with the same row lengths."""

    lengths: tuple[int, ...]
    layouts: list[Layout]
    counts: dict[tuple[int, _State], int] = field(default_factory=dict)
    steps: dict[tuple[int, _State], list[tuple[str, _State]]] = field(default_factory=dict)
    covered: list[list[int]] = field(default_factory=list)
    """For each layout and place, how many covered characters come after it."""

    def __post_init__(self) -> None:
        for layout in self.layouts:
            after, row = 0, []
            ends = len(layout.places) - (layout.scheme.length if layout.scheme else 0)
            for place in reversed(layout.places[:ends]):
                row.append(after)
                after += place.allowed[:1] in layout.covers if place.allowed else 0
            self.covered.append(row[::-1])

    @property
    def start(self) -> _State:
        return frozenset(
            (n, layout.scheme.start if layout.scheme else 0)
            for n, layout in enumerate(self.layouts)
        )

    @property
    def count(self) -> int:
        return self._count(0, self.start)

    def mark(self, index: int) -> str:
        """Mark number ``index`` of this shape."""
        text, state = "", self.start
        for place in range(sum(self.lengths)):
            for character, after in self._next(place, state):
                here = self._count(place + 1, after)
                if index < here:
                    text, state = text + character, after
                    break
                index -= here
        return self._written(text)

    def marks(self, text: str, place: int, state: _State) -> Iterator[str]:
        """All marks that begin with ``text``."""
        if place == sum(self.lengths):
            yield self._written(text)
            return
        for character, after in self._next(place, state):
            if self._count(place + 1, after):
                yield from self.marks(text + character, place + 1, after)

    def _written(self, text: str) -> str:
        first = self.lengths[0]
        return ROW_SEPARATOR.join(part for part in (text[:first], text[first:]) if part)

    def _count(self, place: int, state: _State) -> int:
        if place == sum(self.lengths):
            return 1
        key = (place, state)
        if key not in self.counts:
            if len(self.counts) >= MAX_STATES:
                raise ValueError(
                    f"forms: they overlap in more than {MAX_STATES} ways; make them differ in "
                    "their lengths or in a place"
                )
            self.counts[key] = sum(
                self._count(place + 1, after) for _, after in self._next(place, state)
            )
        return self.counts[key]

    def _next(self, place: int, state: _State) -> list[tuple[str, _State]]:
        key = (place, state)
        if key not in self.steps:
            found = []
            for character in CHARACTERS:
                after = frozenset(
                    (n, following)
                    for n, check in state
                    if (following := self._step(n, place, check, character)) >= 0
                )
                if after:
                    found.append((character, after))
            self.steps[key] = found
        return self.steps[key]

    def _step(self, number: int, place: int, check: int, character: str) -> int:
        """Check state of a layout after a character; -1 when it may not stand there."""
        layout = self.layouts[number]
        if character not in layout.places[place].allowed:
            return -1
        if layout.scheme is None:
            return 0
        ahead = place - (sum(self.lengths) - layout.scheme.length)
        if ahead >= 0:
            return check if layout.scheme.finish(check)[ahead : ahead + 1] == character else -1
        if character not in layout.covers:
            return check
        return layout.scheme.step(check, character, self.covered[number][place])


def _shapes(rules: Rules, ear: str, birth_year: int) -> list[_Shape]:
    by_lengths: dict[tuple[int, ...], list[Layout]] = {}
    for layout in layouts_of(rules, ear=ear, birth_year=birth_year):
        by_lengths.setdefault(layout.lengths, []).append(layout)
    ordered = sorted(by_lengths, key=lambda lengths: (len(lengths), lengths))
    return [_Shape(lengths, by_lengths[lengths]) for lengths in ordered]
