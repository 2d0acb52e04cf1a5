"""Rows of a registry as checked columns: bad values are left empty and reported."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.identify.animals import TEXT_FIELDS
from legibility.identify.row_problems import Problems
from legibility.identify.rowcheck import (
    CONTROL,
    LONGEST_FIELD,
    check_birth,
    check_ear,
    check_mark,
    check_text,
    no_mark_words,
)
from legibility.identify.textcolumn import TextColumn, text_column
from legibility.marks.rules import Rules, allowed_pattern
from legibility.tables.contents import MARK

EAR_MARKS: Final = ("left_mark", "right_mark")
ROWS_AT_A_TIME: Final = 300
"""Measured: of 200 to 50,000 the size that needs least time and memory, within a tenth."""
_MARK_BYTES: Final = 25


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some rows; each array has one entry a row."""

    marks: NDArray[np.bytes_]
    rights: NDArray[np.bytes_]
    """Marks of right ears that differ from those of the left ones; empty for the others."""
    columns: dict[str, TextColumn]
    years: NDArray[np.int16]
    lines: NDArray[np.int32]


def checked_rows(
    batches: Iterable[tuple[list[int], list[list[str]]]],
    header: list[str],
    rules: Rules | None,
    problems: Problems,
) -> list[Chunk]:
    """All rows, checked; identifiers that are there twice are reported."""
    seen = set[str]()
    chunks: list[Chunk] = []
    repeated: list[tuple[int, str, str]] = []
    for lines, rows in batches:
        chunk, ids = _check(lines, rows, header, rules, problems)
        chunks.append(chunk)
        if len(set(ids)) < len(ids) or not seen.isdisjoint(ids):
            for line, animal_id, mark in zip(lines, ids, chunk.marks, strict=True):
                if animal_id and animal_id in seen:
                    repeated.append((line, animal_id, mark.decode("ascii")))
                seen.add(animal_id)
        else:
            seen.update(ids)
    problems.add_repeated(repeated, ((c.columns, c.lines, c.marks) for c in chunks))
    return chunks


def without_lines(chunk: Chunk, bad: set[int]) -> Chunk:
    """The rows whose lines are not among these and that have a mark."""
    good = [
        place
        for place, line in enumerate(chunk.lines.tolist())
        if line not in bad and chunk.marks[place]
    ]
    columns = {
        name: text_column([column[place] for place in good])
        for name, column in chunk.columns.items()
    }
    return Chunk(
        chunk.marks[good], chunk.rights[good], columns, chunk.years[good], chunk.lines[good]
    )


def _check(
    lines: list[int],
    rows: list[list[str]],
    header: list[str],
    rules: Rules | None,
    problems: Problems,
) -> tuple[Chunk, list[str]]:
    """Columns of a batch of rows, and its identifiers; bad values are left empty and reported."""
    by_name = dict(zip(header, zip(*rows, strict=True), strict=True))
    found: list[tuple[int, str, str]] = []
    values = {
        column: _texts(column, by_name[column], lines, found)
        for column in TEXT_FIELDS
        if column in by_name
    }
    years = np.zeros(len(rows), dtype=np.int16)
    nothing = ("",) * len(rows)
    births = zip(
        by_name.get("birth_date", nothing), by_name.get("birth_year", nothing), strict=True
    )
    pairs = list(births)
    known = {pair: check_birth(*pair) for pair in set(pairs)}
    years[:] = [known[pair][0] for pair in pairs]
    if any(problem for _, problem in known.values()):
        field = "birth_date" if "birth_date" in by_name else "birth_year"
        found += [
            (line, field, known[p][1]) for line, p in zip(lines, pairs, strict=True) if known[p][1]
        ]
    if "mark" in by_name:
        ears = values.get("ear", nothing)
        written = list(by_name["mark"])
        marks = _marks("mark", by_name["mark"], lines, ears, years.tolist(), rules, found)
        rights: Sequence[str] = nothing
    else:
        marks, rights, values["ear"] = _ear_marks(by_name, lines, years.tolist(), rules, found)
        left, right = (by_name.get(column, nothing) for column in EAR_MARKS)
        written = [a.strip() or b.strip() for a, b in zip(left, right, strict=True)]
    for line, field, problem in sorted(found):
        problems.add(line, field, problem)
    differing = (
        list(nothing)
        if written == marks
        else [_differing(w, m) for w, m in zip(written, marks, strict=True)]
    )
    chunk = Chunk(
        np.array(marks, dtype=f"S{_MARK_BYTES}"),
        np.array(rights, dtype=f"S{_MARK_BYTES}"),
        {column: text_column(texts) for column, texts in values.items()}
        | {"written": text_column(differing)},
        years,
        np.array(lines, dtype=np.int32),
    )
    return chunk, values["animal_id"]


def _differing(written: str, mark: str) -> str:
    """A mark as written where that is not the mark itself."""
    written = written.strip()
    return written if mark and written != mark else ""


def _ear_marks(
    by_name: Mapping[str, tuple[str, ...]],
    lines: list[int],
    years: Sequence[int],
    rules: Rules | None,
    found: list[tuple[int, str, str]],
) -> tuple[list[str], list[str], list[str]]:
    """Marks (the left ear's where both differ), differing right ones, and the marks' ears."""
    sides = []
    for column in EAR_MARKS:
        texts = by_name.get(column, ("",) * len(lines))
        there = [place for place, text in enumerate(texts) if text.strip()]
        checked = _marks(
            column,
            tuple(texts[place] for place in there),
            [lines[place] for place in there],
            [column.removesuffix("_mark")] * len(there),
            [years[place] for place in there],
            rules,
            found,
        )
        side = [""] * len(lines)
        for place, mark in zip(there, checked, strict=True):
            side[place] = mark
        found_none = set(range(len(lines))) - set(there)
        sides.append((side, found_none))
    (left, no_left), (right, no_right) = sides
    found += [
        (lines[place], "left_mark", "left_mark and right_mark are empty; expected at least one")
        for place in no_left & no_right
    ]
    ears = [
        "both" if a and a == b else "left" if a else "right"
        for a, b in zip(left, right, strict=True)
    ]
    marks = [a or b for a, b in zip(left, right, strict=True)]
    return marks, [b if a and b != a else "" for a, b in zip(left, right, strict=True)], ears


def _marks(
    column: str,
    texts: tuple[str, ...],
    lines: list[int],
    ears: Sequence[str],
    years: Sequence[int],
    rules: Rules | None,
    found: list[tuple[int, str, str]],
) -> list[str]:
    if not texts:
        return []
    if rules is None and all(map(MARK.fullmatch, texts)):
        upper = "\n".join(texts).upper().split("\n")
        if no_mark_words().isdisjoint(upper):
            return upper
    marks = []
    allowed = {
        (ear, year): allowed_pattern(rules, ear=ear, birth_year=year).fullmatch
        for ear, year in set(zip(ears, years, strict=True))
        if rules is not None and ear != "both"
    }
    for line, text, ear, year in zip(lines, texts, ears, years, strict=True):
        matches = allowed.get((ear, year))
        if matches is not None and matches(text):
            marks.append(text)
            continue
        mark, problem = check_mark(text, rules, ear=ear, birth_year=year)
        marks.append(mark)
        if problem:
            field = "birth_year" if problem.startswith("birth_year") else column
            found.append((line, field, problem))
    return marks


def _texts(
    column: str, texts: tuple[str, ...], lines: list[int], found: list[tuple[int, str, str]]
) -> list[str]:
    if column == "ear":
        known = {text: check_ear(text) for text in set(texts)}
        checked = [known[text] for text in texts]
    elif column != "animal_id" and not any(texts):
        return list(texts)
    elif max(map(len, texts)) <= LONGEST_FIELD and not CONTROL.search("".join(texts)):
        stripped = [text.strip() for text in texts]
        if column != "animal_id" or all(stripped):
            return stripped
        checked = [(text, "") for text in stripped]
    else:
        checked = [check_text(column, text) for text in texts]
    values = [value for value, _ in checked]
    if column == "animal_id" and not all(values):
        checked = [(v, p if v or p else "animal_id is empty") for v, p in checked]
    found += [(line, column, p) for line, (_, p) in zip(lines, checked, strict=True) if p]
    return values
