"""Forms of marks that are letters and figures in runs: ``HD`` and 3 figures, a year's letter."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import Final

from legibility.marks.check_characters import DIGITS, LETTERS
from legibility.marks.learned_evidence import (
    FEW,
    RAREST,
    SLIP_SHARE,
    in_use,
    is_stretch,
    least_marks,
)
from legibility.marks.learned_lines import Line
from legibility.marks.learned_parts import Part, literal, number, set_of
from legibility.marks.learned_roles import own_years, year_table
from legibility.marks.year_letters import PROFILES

MOST_WORDS: Final = 6
"""Choice: herd codes that get a form each; with more of them each place is learned alone."""
LEAST_FIXED: Final = 3
"""Choice: so many figures that never change are a herd's or a country's number."""
DENSE: Final = 0.3
"""Choice: animals are numbered one after the other when so many of the numbers are there."""
NEARLY_UP: Final = 0.8
"""Choice: then numbers get one more figure when the highest is so near to its end."""


@dataclass(frozen=True, slots=True)
class Shape:
    """A form before it is written down."""

    rows: tuple[tuple[Part, ...], ...]
    table: str = ""
    """Name of the year table."""
    notes: tuple[str, ...] = ()
    ear: str = ""
    check: str = ""
    """Name in ``SCHEMES``; empty: no check character."""
    covers: str = "all"


def run_shapes(lines: Sequence[Line]) -> list[Shape]:
    """Forms of marks of one kind (``Line.kind``)."""
    table = _table(lines)
    if table is not None:
        letter = PROFILES[table.name].letter
        lines = [x for x in lines if not x.year or letter(x.year) == table.character(x)]
    return [_shape(_Columns.of(group), table) for group in _groups(_Columns.of(lines), table)]


def _groups(columns: _Columns, table: _Table | None) -> list[Sequence[Line]]:
    """Marks put apart by how many letters they have, where that leaves a gap, and by herd codes."""
    for run, texts in enumerate(columns.runs):
        sizes = sorted(set(map(len, texts)))
        if texts[0].isalpha() and sizes and sizes[-1] - sizes[0] >= len(sizes):
            of_size = [[x for x in columns.lines if len(x.runs[run]) == n] for n in sizes]
            return [group for own in of_size for group in _groups(_Columns.of(own), table)]
    run, words = _words(columns, table)
    return [
        [line for line in columns.lines if line.runs[run].startswith(word)] for word in words
    ] or [columns.lines]


@dataclass(frozen=True, slots=True)
class _Table:
    """Where the year's letter stands."""

    run: int
    end: int
    """0: the run begins with it; -1: it ends with it."""
    name: str

    def character(self, line: Line) -> str:
        """The year's letter of a mark."""
        return line.runs[self.run][self.end]


@dataclass(frozen=True, slots=True)
class _Columns:
    """Runs of marks of one kind, one under the other, without those of an unusual length."""

    lines: Sequence[Line]
    runs: Sequence[Sequence[str]]
    """Texts of each run."""
    spans: Sequence[tuple[int, int]]
    """Fewest and most characters of each run."""

    @classmethod
    def of(cls, lines: Sequence[Line]) -> _Columns:
        parts = [line.runs for line in lines]
        kept = list(range(len(lines)))
        spans = []
        for k in range(len(parts[0])):
            low, high = _lengths([parts[i][k] for i in kept])
            kept = [i for i in kept if low <= len(parts[i][k]) <= high]
            spans.append((low, high))
        columns = [[parts[i][k] for i in kept] for k in range(len(spans))]
        return cls([lines[i] for i in kept], columns, spans)


def _lengths(texts: Sequence[str]) -> tuple[int, int]:
    """Fewest and most characters of a run; single longer or shorter ones are slips."""
    counts = Counter(map(len, texts))
    is_few = len(texts) < FEW and texts[0].isdigit()
    need = 1 if is_few else least_marks(len(texts))
    usual = [length for length, count in counts.items() if count >= need] or [max(counts)]
    low, high = min(usual), max(usual)
    if len(usual) > 1 or _is_number(texts):
        low = min(counts)
    if _is_number(texts):
        values = sorted({int(text) for text in texts})
        in_turn = [v for v in values if len(str(v)) <= high]
        dense = len(in_turn) >= DENSE * (in_turn[-1] - in_turn[0] + 1) and len(in_turn) >= RAREST
        if dense and in_turn[-1] >= NEARLY_UP * (10**high - 1):
            high += 1
    return low, min(high, 12)


def _is_number(texts: Sequence[str]) -> bool:
    """Whether figures are a number that never begins with 0."""
    if not texts[0].isdigit():
        return False
    zeros = sum(text[0] == "0" for text in texts)
    if len(set(map(len, texts))) > 1 and zeros == 0 and len(texts) >= RAREST:
        return True
    return zeros <= SLIP_SHARE * len(texts) and len(texts) >= RAREST * len(DIGITS)


def _table(lines: Sequence[Line]) -> _Table | None:
    """The place whose character says the year of birth, by a published table."""
    years = [line.year for line in lines]
    parts = [line.runs for line in lines]
    for run in range(len(parts[0])):
        for end in (0, -1):
            name = year_table([mark[run][end] for mark in parts], years)
            if name:
                return _Table(run, end, name)
    return None


def _words(columns: _Columns, table: _Table | None) -> tuple[int, tuple[str, ...]]:
    """The first run that has several herd codes of two characters or more, and these."""
    for run, (texts, (low, high)) in enumerate(zip(columns.runs, columns.spans, strict=True)):
        if low != high or (table is not None and table.run == run):
            continue
        longest = low if texts[0].isalpha() or low < LEAST_FIXED else 0
        for length in range(longest, 1, -1):
            words = in_use(Counter(text[:length] for text in texts))
            if 1 < len(words) <= MOST_WORDS:
                return run, words
            if len(words) == 1:
                break
    return 0, ()


def _shape(columns: _Columns, table: _Table | None) -> Shape:
    lines = columns.lines
    kinds = lines[0].kind
    row_of = [r for r, kind in enumerate(kinds) for _ in kind]
    rows: list[list[Part]] = [[] for _ in kinds]
    notes: list[str] = []
    years = [line.year for line in lines]
    for run, ((low, high), texts) in enumerate(zip(columns.spans, columns.runs, strict=True)):
        is_letters = texts[0].isalpha()
        before: list[Part] = []
        after: list[Part] = []
        if table is not None and table.run == run:
            letters = Part(set_of(PROFILES[table.name].letters), role="year")
            (after if table.end else before).append(letters)
            texts = [text[:-1] if table.end else text[1:] for text in texts]
            low, high = low - 1, high - 1
        if high and is_letters:
            parts, note = _letters(texts, low, high, years)
            before += parts
            notes += note
        elif high:
            before += _figures(texts, low, high)
        rows[row_of[run]] += before + after
    return Shape(tuple(map(tuple, rows)), table.name if table else "", tuple(notes))


def _letters(
    texts: Sequence[str], low: int, high: int, years: Sequence[int]
) -> tuple[list[Part], list[str]]:
    if low != high:
        return [Part(_allowed(texts), low, high)], []
    if low == 1 and (found := _of_years(texts, years)) is not None:
        return found
    fixed: list[Part] = []
    for length in range(low, 0, -1):
        words = in_use(Counter(text[:length] for text in texts))
        if len(words) == 1:
            fixed = literal(words[0])
            break
    rest = [text[len(fixed) :] for text in texts]
    for place in range(low - len(fixed)):
        found_here = in_use(Counter(text[place] for text in rest))
        if found_here and len(found_here) <= MOST_WORDS:
            fixed.append(Part(set_of(found_here)))
        else:
            rest = [text[place:] for text in rest]
            return [*fixed, *[Part(_allowed(rest))] * len(rest[0])], []
    return fixed, []


def _of_years(texts: Sequence[str], years: Sequence[int]) -> tuple[list[Part], list[str]] | None:
    """A letter that changes with the year by no published table: the next year has another one."""
    meant = own_years(texts, years)
    seen = set_of(meant or in_use(Counter(texts)))
    if not is_stretch(seen):
        return None
    # Letters that were left out between those seen will be left out again.
    left_out = {c for c in LETTERS if seen[0] < c < seen[-1]} - set(seen) - set(texts)
    note = []
    if meant:
        first, last = seen[0], seen[-1]
        note.append(
            f"one letter follows the year of birth by no table known here ({first} = "
            f"{meant[first]} ... {last} = {meant[last]}); the next year's letter stays allowed"
        )
    return [Part(set_of(set(LETTERS) - left_out))], note


def _allowed(texts: Sequence[str]) -> str:
    """Letters that a run may hold, its places taken together."""
    used = in_use(Counter("".join(texts)))
    return set_of(used) if used else LETTERS


def _figures(texts: Sequence[str], low: int, high: int) -> list[Part]:
    if low == high:
        words = in_use(Counter(texts))
        if len(words) == 1:
            return literal(words[0])
        if low == 1 and words:
            return [Part(set_of(words))]
        common = _common(texts)
        if len(common) >= LEAST_FIXED:
            # The last of them may change when the numbers behind it are used up.
            kept = common[:-1]
            return [*literal(kept), Part(DIGITS, low - len(kept), low - len(kept))]
    return number(low, high, zero_first=not _is_number(texts))


def _common(texts: Sequence[str]) -> str:
    """What figures begin with, slips apart."""
    if len(texts) < RAREST:
        return ""
    ordered = sorted(texts)
    slips = int(SLIP_SHARE * len(ordered))
    inner = ordered[slips // 2 : len(ordered) - slips // 2]
    pairs = zip(inner[0], inner[-1], strict=False)
    return "".join(a for a, _ in takewhile(lambda pair: pair[0] == pair[1], pairs))
