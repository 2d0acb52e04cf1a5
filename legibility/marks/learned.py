"""Rules that a herd's own marks show: the forms in use, with how many marks keep to each.

Nothing is made a rule for want of evidence: a character that twenty marks lack is allowed, and
what a few marks have that the others lack is listed as an exception, not learned as a form.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS
from legibility.marks.learned_evidence import least_marks
from legibility.marks.learned_lines import SAMPLE, Line, plain_marks, rows_of
from legibility.marks.learned_match import Matcher
from legibility.marks.learned_parts import Part
from legibility.marks.learned_roles import by_check
from legibility.marks.learned_runs import Shape
from legibility.marks.learned_shapes import mixed_length, runs_length, shapes_of
from legibility.marks.learned_writing import notes_of, written_rules
from legibility.marks.rules import Rules
from legibility.marks.rules_file import rules_toml

LEAST_EAR: Final = 20
"""Choice: marks of an ear from which forms of its own are learned."""
EARS_DIFFER: Final = 10.0
"""Choice: nats that forms of its own for each ear must save; a factor of 20,000."""
MOST_FORMS: Final = 60
"""Choice: more forms are no help to anybody; then the lengths of marks alone are learned."""
MOST_HINTS: Final = 1000
"""Choice: exceptions for which it is worked out what would make them one of the forms."""


@dataclass(frozen=True, slots=True)
class Odd:
    """A mark that keeps to none of the learned forms."""

    index: int
    """Its place among the marks given."""
    mark: str
    why: str
    """What would make it one of them; empty when nothing small does."""


@dataclass(frozen=True, slots=True)
class LearnedRules:
    """What a herd's marks look like, and on how many marks that rests."""

    rules: Rules
    counts: tuple[int, ...]
    """Marks that keep to each form of ``rules``; of several that fit the first counts."""
    words: tuple[str, ...]
    """Each form in words."""
    examples: tuple[tuple[str, ...], ...]
    """First and last mark of each form."""
    exceptions: tuple[Odd, ...]
    rare_share: float
    """Share of other forms among marks to come: (exceptions + 1) / (marks + 2), Laplace's rule."""
    marks_counted: int
    notes: tuple[str, ...] = ()
    """What was learned of year letters and characters besides the forms."""

    @property
    def title(self) -> str:
        """How outputs name these rules: ``forms learned from 412 marks``."""
        plural = "" if self.marks_counted == 1 else "s"
        return f"forms learned from {self.marks_counted:,} mark{plural}"

    def described(self, *, exceptions: int = 5) -> list[str]:
        """Lines in words: forms with their counts, exceptions, what else was learned."""
        lines = [f"{self.title}:"]
        wide = max((len(f"{count:,}") for count in self.counts), default=0)
        for words, count, examples in zip(self.words, self.counts, self.examples, strict=True):
            shown = f"  ({' ... '.join(examples)})" if examples else ""
            plural = "mark: " if count == 1 else "marks:"
            lines.append(f"  {count:>{wide},} {plural} {words}{shown}")
        lines += [f"  {note}" for note in self.notes]
        odd = len(self.exceptions)
        share = f"other forms stay possible ({100 * self.rare_share:.2g} % of marks)"
        if not odd:
            return [*lines, f"  no mark is of another form; {share}"]
        is_one = odd == 1
        lines.append(f"  {odd:,} mark{' keeps' if is_one else 's keep'} to none of these; {share}:")
        for one in self.exceptions[:exceptions]:
            lines.append(f"    {one.mark}" + (f": {one.why}" if one.why else ""))
        if odd > exceptions:
            lines.append(f"    ... and {odd - exceptions:,} more")
        return lines

    def said_of(self, mark: str, *, ear: str = "", birth_year: int = 0) -> str:
        """Which of the forms a mark keeps to, or that it keeps to none, as a sentence."""
        [plain] = plain_marks([mark])
        matcher = Matcher(self.rules)
        kept = matcher.kept(plain, birth_year, ear=ear)
        if kept.form >= 0:
            return f"keeps to the {self.title}: {self.words[kept.form]}"
        why = kept.why or matcher.hint(plain, birth_year, ear=ear)
        return (
            f"keeps to none of the {self.title} (about {100 * self.rare_share:.2g} % of marks are "
            f"of other forms){': ' if why else ''}{why}"
        )

    def toml(self, *, comments: bool = True) -> str:
        """The rules as a file to keep and to edit, each form under its count.

        ``rules_from`` of it gives ``rules`` again.
        """
        if not comments:
            return rules_toml(self.rules)
        heading = [self.title, *self.notes]
        if self.exceptions:
            first = ", ".join(one.mark for one in self.exceptions[:5])
            more = len(self.exceptions) - 5
            first += f" and {more:,} more" * (more > 0)
            heading.append(f"not of these forms, so refused with this file: {first}")
        counted = [
            f"{count:,} mark{'' if count == 1 else 's'}: {words}"
            for count, words in zip(self.counts, self.words, strict=True)
        ]
        return rules_toml(self.rules, heading=heading, comments=counted)


def learned_rules(
    marks: Sequence[str] | NDArray[Any],
    *,
    ears: Sequence[str] | None = None,
    birth_years: Sequence[int] | NDArray[np.integer] | None = None,
) -> LearnedRules:
    """Rules that marks keep to.

    Parameters
    ----------
    marks : (n,) sequence of str, or array of bytes
        As a list has them: blanks, hyphens and dots say nothing, and a mark without ``/`` says
        nothing of rows. Of more than ``SAMPLE`` a random sample is learned from; all are counted.
    ears : (n,) sequence of str, optional
        ``"left"``, ``"right"``, or anything else for not known.
    birth_years : (n,) sequence of int, optional
        0 = not known. Without them no year letter is found.

    Raises
    ------
    ValueError
        If there is no mark, or ``ears`` or ``birth_years`` are of another number.

    Examples
    --------
    >>> found = learned_rules([f"HD {n:03d}" for n in range(1, 90)] + ["HD O12"])
    >>> found.rules.prefix, found.rules.forms[0].rows, [odd.mark for odd in found.exceptions]
    ('HD', ('{prefix}#{3}',), ['HDO12'])
    """
    texts = plain_marks(marks)
    sides = [""] * len(texts) if ears is None else list(ears)
    years = [0] * len(texts) if birth_years is None else np.asarray(birth_years).tolist()
    if not any(texts) or not len(texts) == len(sides) == len(years):
        raise ValueError(
            f"{sum(map(bool, texts))} marks, {len(sides)} ears, {len(years)} years of birth; "
            "expected as many of each, and one mark or more"
        )
    chosen: Sequence[int] = [i for i, text in enumerate(texts) if text]
    if len(chosen) > SAMPLE:
        picked = np.random.default_rng(0).choice(len(chosen), SAMPLE, replace=False)
        chosen = [chosen[i] for i in np.sort(picked).tolist()]
    lines = [(sides[i], Line(rows_of(texts[i]), years[i])) for i in chosen]
    found = _by_ear(lines)
    if len(found) > MOST_FORMS or not found:
        found = _lengths_alone([line for _, line in lines])
    written = written_rules(found)
    return _counted(texts, sides, years, written, notes_of(found, written[0]))


def _by_ear(lines: Sequence[tuple[str, Line]]) -> list[Shape]:
    """Forms of both ears together, or of each ear where they differ."""
    every = [line for _, line in lines]
    left = [line for ear, line in lines if ear != "right"]
    right = [line for ear, line in lines if ear != "left"]
    known = [sum(ear == side for ear, _ in lines) for side in ("left", "right")]
    apart = min(known) >= LEAST_EAR and (
        _shortest(left) + _shortest(right) + EARS_DIFFER < _shortest(every)
    )
    if not apart:
        return _of_group(every, "")
    return [*_of_group(left, "left"), *_of_group(right, "right")]


def _shortest(lines: Sequence[Line]) -> float:
    return min(runs_length(lines), mixed_length(lines))


def _of_group(lines: Sequence[Line], ear: str) -> list[Shape]:
    found: list[Shape] = []
    floor = least_marks(len(lines))
    for group in by_check(lines):
        if len(group.lines) < floor and found:
            continue
        found += [replace(shape, ear=ear) for shape in shapes_of(group)]
    return found


def _lengths_alone(lines: Sequence[Line]) -> list[Shape]:
    sizes = Counter(tuple(map(len, line.rows)) for line in lines)
    free = Part(CHARACTERS)
    return [Shape(tuple((free,) * n for n in size)) for size, _ in sizes.most_common(MOST_FORMS)]


def _counted(
    texts: Sequence[str],
    sides: Sequence[str],
    years: Sequence[int],
    written: tuple[Rules, tuple[str, ...]],
    notes: tuple[str, ...],
) -> LearnedRules:
    """Every mark put to the form that it keeps to; forms most marks keep to come first."""
    rules, words = written
    matcher = Matcher(rules)
    keepers: list[list[str]] = [[] for _ in rules.forms]
    odd: list[Odd] = []
    for index, (text, year, ear) in enumerate(zip(texts, years, sides, strict=True)):
        if not text:
            continue
        kept = matcher.kept(text, year, ear=ear)
        if kept.form < 0:
            odd.append(Odd(index, text, kept.why))
        else:
            keepers[kept.form].append(text)
    counts = [len(marks) for marks in keepers]
    hinted = [
        replace(one, why=matcher.hint(one.mark, years[one.index], ear=sides[one.index]))
        if not one.why and number < MOST_HINTS
        else one
        for number, one in enumerate(odd)
    ]
    order = sorted((n for n, count in enumerate(counts) if count), key=lambda n: -counts[n])
    forms = tuple(rules.forms[n] for n in order)
    has_year = any("{year}" in row for form in forms for row in form.rows)
    marks = sum(counts) + len(odd)
    return LearnedRules(
        rules=replace(rules, forms=forms, year_letters=rules.year_letters if has_year else ""),
        counts=tuple(counts[n] for n in order),
        words=tuple(words[n] for n in order),
        examples=tuple(_ends(keepers[n]) for n in order),
        exceptions=tuple(hinted),
        rare_share=(len(odd) + 1) / (marks + 2),
        marks_counted=marks,
        notes=notes,
    )


def _ends(marks: Sequence[str]) -> tuple[str, ...]:
    """First and last mark, numbers of fewer figures before those of more."""
    shortest, longest = min(map(len, marks)), max(map(len, marks))
    first = min(mark for mark in marks if len(mark) == shortest)
    last = max(mark for mark in marks if len(mark) == longest)
    return tuple(dict.fromkeys((first, last)))
