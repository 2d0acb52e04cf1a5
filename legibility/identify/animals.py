"""A herd's registry: who carries which mark."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Animal
from legibility.errors import RegistryError
from legibility.identify.marktable import MarkTable, build_mark_table
from legibility.identify.rowcheck import check_mark
from legibility.identify.textcolumn import TextColumn, text_column
from legibility.identify.unregistered import UnregisteredMarks, unregistered_marks
from legibility.marks.rules import Rules

TEXT_FIELDS: Final = ("animal_id", "ear", "sex", "chip", "status")
"""Fields kept as text; the mark is kept in the table and the birth year as a number."""
NOTICES_NAMED: Final = 20
"""Choice: most duplicate marks named one by one."""


@dataclass(frozen=True, slots=True)
class Registry:
    """Animals by index 0..n-1 in the file's order; :class:`Animal` objects are made when asked."""

    name: str
    """Path as given, safe to print."""
    digest: str
    """SHA-256 of what the registry says, whatever the file's separators and line ends."""
    table: MarkTable
    unregistered: UnregisteredMarks
    columns: Mapping[str, TextColumn]
    """Those of ``TEXT_FIELDS`` that the file has."""
    birth_years: NDArray[np.int16]
    """(n,), 0 = not recorded."""
    lines: NDArray[np.int32]
    """(n,) line of the file."""
    notices: tuple[str, ...]
    """What is allowed but worth knowing, e.g. two animals with one mark."""

    def __len__(self) -> int:
        return len(self.table)

    def __iter__(self) -> Iterator[Animal]:
        return (self.animal(index) for index in range(len(self)))

    def animal_id(self, index: int) -> str:
        """Identifier of one animal."""
        return self.columns["animal_id"][index]

    def mark(self, index: int) -> str:
        """Mark of one animal as written, ``AB/123``."""
        return self.table.mark_text(index)

    def animal(self, index: int) -> Animal:
        """All that is known of one animal."""
        texts = {name: column[index] for name, column in self.columns.items()}
        return Animal(
            mark=self.mark(index),
            birth_year=int(self.birth_years[index]),
            line=int(self.lines[index]),
            **texts,
        )

    def find(self, mark: str) -> tuple[int, ...]:
        """Animals that carry a mark; empty when none does."""
        return tuple(int(index) for index in self.table.find(mark))


def registry_of(
    animals: Sequence[Animal], *, name: str = "registry", rules: Rules | None = None
) -> Registry:
    """Registry from animals at hand.

    Raises
    ------
    RegistryError
        If a mark cannot be one, breaks the rules, or an identifier is empty or used twice.
    """
    problems, seen, marks = [], set(), []
    for number, animal in enumerate(animals, start=1):
        mark, problem = check_mark(animal.mark, rules, ear=animal.ear, birth_year=animal.birth_year)
        if not animal.animal_id:
            problem = "animal_id is empty"
        elif animal.animal_id in seen:
            problem = f"animal_id {animal.animal_id!r} is used twice"
        if problem:
            problems.append(f"animal {number}: {problem}")
        seen.add(animal.animal_id)
        marks.append(mark)
    if problems:
        raise RegistryError(f"{name}: " + "; ".join(problems[:NOTICES_NAMED]))
    columns = {
        field: text_column([getattr(animal, field) for animal in animals]) for field in TEXT_FIELDS
    }
    return assemble(
        name=name,
        marks=np.array(marks, dtype=np.bytes_),
        columns=columns,
        birth_years=np.array([animal.birth_year for animal in animals], dtype=np.int16),
        lines=np.array([animal.line for animal in animals], dtype=np.int32),
        notices=(),
        rules=rules,
    )


def assemble(
    *,
    name: str,
    marks: NDArray[np.bytes_],
    columns: Mapping[str, TextColumn],
    birth_years: NDArray[np.int16],
    lines: NDArray[np.int32],
    notices: tuple[str, ...],
    rules: Rules | None,
) -> Registry:
    """Registry from checked columns, with its index, digest and notices."""
    table = build_mark_table(marks)
    return Registry(
        name=name,
        digest=_digest(table, columns, birth_years),
        table=table,
        unregistered=unregistered_marks(table, rules=rules),
        columns=columns,
        birth_years=birth_years,
        lines=lines,
        notices=notices + _shared_marks(table, columns["animal_id"]),
    )


def _digest(
    table: MarkTable, columns: Mapping[str, TextColumn], birth_years: NDArray[np.int16]
) -> str:
    digest = hashlib.sha256()
    second = np.concatenate([table.row_keys, np.zeros(1, dtype=np.uint64)])[table.second_row]
    for keys in (table.row_keys[table.first_row], second):
        digest.update(keys.astype("<u8").tobytes())
    digest.update(birth_years.astype("<i2").tobytes())
    for field in TEXT_FIELDS:
        column = columns.get(field)
        if column is not None and column.data:
            digest.update(field.encode())
            digest.update(column.ends.astype("<i8").tobytes())
            digest.update(column.data)
    return digest.hexdigest()


def _shared_marks(table: MarkTable, ids: TextColumn) -> tuple[str, ...]:
    keys = table.mark_keys
    first = np.flatnonzero(np.append(keys[:1] >= 0, keys[1:] != keys[:-1]))
    sizes = np.diff(np.append(first, keys.size))
    shared = np.flatnonzero(sizes > 1)
    notices = []
    for group in shared[:NOTICES_NAMED]:
        start = int(first[group])
        animals = sorted(int(a) for a in table.mark_order[start : start + int(sizes[group])])
        named = ", ".join(ids[animal] for animal in animals[:5])
        more = f" and {len(animals) - 5} more" if len(animals) > 5 else ""
        mark = table.mark_text(animals[0])
        notices.append(f"mark {mark} is carried by {len(animals)} animals: {named}{more}")
    if shared.size > NOTICES_NAMED:
        notices.append(f"{shared.size - NOTICES_NAMED} more marks are carried by several animals")
    return tuple(notices)
