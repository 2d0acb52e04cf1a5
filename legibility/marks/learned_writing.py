"""Learned forms as rules: their patterns, their words, and what the herd never uses."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from legibility.alphabet import CHARACTERS
from legibility.marks.check_characters import DIGITS, LETTERS
from legibility.marks.learned_parts import pattern_of, set_of, words_of
from legibility.marks.learned_runs import Shape
from legibility.marks.rules import Form, Rules, layouts_of
from legibility.marks.year_letters import PROFILES


def written_rules(found: Sequence[Shape]) -> tuple[Rules, tuple[str, ...]]:
    """Rules with their forms, and each form in words."""
    excluded = _never_used(found)
    tables = Counter(shape.table for shape in found if shape.table)
    table = tables.most_common(1)[0][0] if tables else ""
    prefix = _prefix(found)
    forms: dict[Form, str] = {}
    for shape in found:
        own = table if shape.table == table else ""
        bare = (shape.rows[0][len(prefix) :], *shape.rows[1:])
        patterns = [pattern_of(row, excluded, own) for row in bare]
        patterns[0] = ("{prefix}" if prefix else "") + patterns[0]
        form = Form(tuple(patterns), shape.ear, shape.check, shape.covers)
        said = (words_of(row, year=shape.table, check=shape.check) for row in shape.rows)
        where = f" ({shape.ear} ear)" if shape.ear else ""
        forms.setdefault(form, " over ".join(said) + where)
    merged, words = _merged(forms)
    rules = Rules(exclude=excluded, prefix=prefix, year_letters=table, forms=merged)
    try:
        layouts_of(rules)
    except ValueError:
        # A check over places that hold letters and figures cannot be said in a rules file.
        return written_rules([_unchecked(shape) for shape in found])
    return rules, words


def _never_used(found: Sequence[Shape]) -> str:
    """Characters that are allowed nowhere, of the kinds that some place leaves open."""
    parts = [part for shape in found for row in shape.rows for part in row]
    nowhere = set(CHARACTERS).difference(*(part.allowed for part in parts))
    free = [set(part.allowed) for part in parts if not part.role]
    kinds = ""
    if any(len(one & set(LETTERS)) > len(LETTERS) // 2 for one in free):
        kinds += LETTERS
    if any(one & set(LETTERS) and len(one & set(DIGITS)) > len(DIGITS) // 2 for one in free):
        kinds += DIGITS
    return set_of(nowhere & set(kinds))


def _unchecked(shape: Shape) -> Shape:
    rows = tuple(
        tuple(replace(part, role="") if part.role == "check" else part for part in row)
        for row in shape.rows
    )
    return replace(shape, rows=rows, check="", covers="all")


def _prefix(shapes: Sequence[Shape]) -> str:
    """Fixed characters that every form begins with."""
    starts = []
    for shape in shapes:
        text = ""
        for part in shape.rows[0]:
            if len(part.allowed) > 1 or part.role or part.low != part.high:
                break
            text += part.allowed
        starts.append(text)
    common = starts[0]
    for start in starts[1:]:
        while not start.startswith(common):
            common = common[:-1]
    return common


def _merged(forms: dict[Form, str]) -> tuple[tuple[Form, ...], tuple[str, ...]]:
    """Forms that are the same in both ears once."""
    found: dict[Form, str] = {}
    for form, said in forms.items():
        other = {"left": "right", "right": "left"}.get(form.ear, "")
        both = replace(form, ear="")
        if other and (both in found or replace(form, ear=other) in forms):
            found.setdefault(both, said.removesuffix(f" ({form.ear} ear)"))
        else:
            found[form] = said
    return tuple(found), tuple(found.values())


def notes_of(found: Sequence[Shape], rules: Rules) -> tuple[str, ...]:
    """What was learned besides the forms, in words."""
    notes = [note for shape in found for note in shape.notes]
    table = rules.year_table
    if table is not None:
        same = [
            other.name
            for other in PROFILES.values()
            if other.letters == table.letters and other.letter(table.first_year) == table.letters[0]
        ]
        if len(same) > 1:
            notes.append(
                f"year letters of {' and '.join(same)} are the same; {table.name} is named"
            )
    if rules.exclude:
        notes.append(f"never used: {' '.join(rules.exclude)}")
    return tuple(dict.fromkeys(notes))
