"""A herd's registry: who carries which mark."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import LONGEST_ROW, ROW_SEPARATOR
from legibility.containers import Animal
from legibility.errors import RegistryError
from legibility.identify.layouts import LayoutPrior, learned_layouts
from legibility.identify.marktable import MarkTable, build_mark_table, joined_tables
from legibility.identify.rowcheck import check_mark
from legibility.identify.textcolumn import TextColumn, text_column
from legibility.identify.unregistered import UnregisteredMarks, unregistered_marks
from legibility.marks.rules import Rules

EARS: Final = ("", "left", "right", "both")
"""Where a mark is recorded, by code."""
TEXT_FIELDS: Final = ("animal_id", "ear", "sex", "chip", "status")
"""Fields kept as text; the mark is kept in the table and the birth year as a number."""
OPEN_IN_ONE_ROW: Final = 0.5
"""Choice: in a list that writes row breaks, a mark without one counts as half a mark seen in one
row."""
NOTICES_NAMED: Final = 20
"""Choice: most duplicate marks named one by one."""


@dataclass(frozen=True, slots=True)
class RightMarks:
    """Second marks of the animals that have a different one in each ear."""

    table: MarkTable
    """(m,) their right ears."""
    animals: NDArray[np.int32]
    """(m,) ascending indices of those animals; their entry in the registry is the left ear's."""


@dataclass(frozen=True, slots=True)
class Spelled:
    """A registry's marks with the herd's prefix where the list leaves it out, and without it where
    the list has it."""

    table: MarkTable
    """Of ``Registry.all_marks``; marks that would be too long, or nothing, stay as they are."""
    every: MarkTable
    """Marks of the registry in both ears as the list has them, then those of ``table``."""
    unregistered: UnregisteredMarks
    """Learned from both spellings."""


@dataclass(frozen=True)
class Registry:
    """Animals by index 0..n-1 in the file's order; :class:`Animal` objects are made when asked."""

    name: str
    """Path as given, safe to print."""
    digest: str
    """SHA-256 of what the registry says, whatever the file's separators and line ends."""
    table: MarkTable
    columns: Mapping[str, TextColumn]
    """Those of ``TEXT_FIELDS`` that the file has."""
    birth_years: NDArray[np.int16]
    """(n,), 0 = not recorded."""
    lines: NDArray[np.int32]
    """(n,) line of the file."""
    notices: tuple[str, ...]
    """What is allowed but worth knowing, e.g. two animals with one mark."""
    layouts: LayoutPrior
    """In which rows marks stand that the list writes in one row."""
    rules: Rules | None = None
    right: RightMarks | None = None
    """None: every animal has one mark."""
    written: TextColumn | None = None
    """(n,) marks as the file writes them where that differs, else empty; None: they are written
    as they are."""

    @cached_property
    def unregistered(self) -> UnregisteredMarks:
        """Marks of animals that are not in the list; learned from it when first asked for."""
        return unregistered_marks(self.all_marks, rules=self.rules, layouts=self.layouts)

    @cached_property
    def all_marks(self) -> MarkTable:
        """Marks of both ears: those of ``table``, then those of ``right``."""
        if self.right is None:
            return self.table
        return joined_tables(self.table, self.right.table)

    def spelled(self, prefix: str) -> Spelled:
        """The marks in the other spelling, see ``Settings.herd_prefix``; made when asked for."""
        if prefix not in self._spelled:
            tables = [self.table] if self.right is None else [self.table, self.right.table]
            marks = [respelled(one.mark_text(k), prefix) for one in tables for k in range(len(one))]
            table = build_mark_table(marks)
            every = joined_tables(self.all_marks, table)
            strangers = unregistered_marks(every, rules=self.rules, layouts=self.layouts)
            self._spelled[prefix] = Spelled(table, every, strangers)
        return self._spelled[prefix]

    @cached_property
    def _spelled(self) -> dict[str, Spelled]:
        return {}

    def __len__(self) -> int:
        return len(self.table)

    def __iter__(self) -> Iterator[Animal]:
        return (self.animal(index) for index in range(len(self)))

    def animal_id(self, index: int) -> str:
        """Identifier of one animal."""
        return self.columns["animal_id"][index]

    def mark(self, index: int) -> str:
        """Mark of one animal as written, ``AB/123``; of two different ones the left ear's."""
        return self.table.mark_text(index)

    def written_mark(self, index: int) -> str:
        """Mark of one animal as its registry writes it, ``hd 782``."""
        return (self.written[index] if self.written is not None else "") or self.mark(index)

    def right_mark(self, index: int) -> str:
        """Mark in the right ear where it differs from the left one's; else empty."""
        if self.right is None:
            return ""
        place = int(np.searchsorted(self.right.animals, index))
        there = place < self.right.animals.size and int(self.right.animals[place]) == index
        return self.right.table.mark_text(place) if there else ""

    def shown_mark(self, index: int, ear: str = "") -> str:
        """What a photo of this ear should show: ``A12``; of two different marks and an ear that
        is not known both, ``A12 + B34``, the left one first."""
        right = self.right_mark(index)
        if not right:
            return self.mark(index)
        return {"left": self.mark(index), "right": right}.get(ear, f"{self.mark(index)} + {right}")

    def ears(self) -> NDArray[np.uint8]:
        """(n,) index in ``EARS`` of where each mark is recorded."""
        column = self.columns.get("ear")
        if column is None:
            return np.zeros(len(self), dtype=np.uint8)
        return column.codes(EARS[1:])

    def index_of(self, animal_id: str) -> int:
        """Index of an animal by its identifier; -1 when there is none."""
        return self.columns["animal_id"].find(animal_id)

    def animal(self, index: int) -> Animal:
        """All that is known of one animal."""
        texts = {name: column[index] for name, column in self.columns.items()}
        return Animal(
            mark=self.mark(index),
            birth_year=int(self.birth_years[index]),
            line=int(self.lines[index]),
            right_mark=self.right_mark(index),
            **texts,
        )

    def of_characters(self, text: str) -> tuple[int, ...]:
        """Animals whose mark in either ear has these characters, in whatever rows."""
        return self.find(text.replace(ROW_SEPARATOR, ""))

    def find(self, mark: str) -> tuple[int, ...]:
        """Animals that carry a mark in either ear; empty when none does. Where the mark or the list
        says nothing of rows, any will do."""
        found = {int(index) for index in self.table.find(mark)}
        if self.right is not None:
            found |= {int(self.right.animals[place]) for place in self.right.table.find(mark)}
        return tuple(sorted(found))


def respelled(mark: str, prefix: str) -> str:
    """The mark without the prefix, or with it."""
    first, separator, second = mark.partition(ROW_SEPARATOR)
    if first.startswith(prefix):
        rest = first[len(prefix) :]
        # A row that is the prefix alone goes with it.
        return (rest + separator + second if rest else second) or mark
    longer = prefix + first
    return longer + separator + second if len(longer) <= LONGEST_ROW else mark


def registry_of(
    animals: Sequence[Animal],
    *,
    name: str = "registry",
    rules: Rules | None = None,
    seen_layouts: Mapping[tuple[int, int], float] | None = None,
) -> Registry:
    """Registry from animals at hand; ``seen_layouts`` as :func:`assemble`.

    Raises
    ------
    RegistryError
        If a mark cannot be one, breaks the rules, or an identifier is empty or used twice.
    """
    problems, seen, marks, rights = [], set(), [], []
    for number, animal in enumerate(animals, start=1):
        right = ""
        ear = "left" if animal.right_mark else animal.ear
        mark, problem = check_mark(animal.mark, rules, ear=ear, birth_year=animal.birth_year)
        if animal.right_mark and not problem:
            right, problem = check_mark(
                animal.right_mark, rules, ear="right", birth_year=animal.birth_year
            )
        if not animal.animal_id:
            problem = "animal_id is empty"
        elif animal.animal_id in seen:
            problem = f"animal_id {animal.animal_id!r} is used twice"
        if problem:
            problems.append(f"animal {number}: {problem}")
        seen.add(animal.animal_id)
        marks.append(mark)
        rights.append(right)
    if problems:
        raise RegistryError(f"{name}: " + "; ".join(problems[:NOTICES_NAMED]))
    columns = {
        field: text_column([getattr(animal, field) for animal in animals]) for field in TEXT_FIELDS
    }
    columns["ear"] = text_column(["left" if a.right_mark else a.ear for a in animals])
    return assemble(
        name=name,
        marks=np.array(marks, dtype=np.bytes_),
        columns=columns,
        birth_years=np.array([animal.birth_year for animal in animals], dtype=np.int16),
        lines=np.array([animal.line for animal in animals], dtype=np.int32),
        notices=(),
        rules=rules,
        rights=np.array(rights, dtype=np.bytes_) if any(rights) else None,
        seen_layouts=seen_layouts,
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
    rights: NDArray[np.bytes_] | None = None,
    seen_layouts: Mapping[tuple[int, int], float] | None = None,
) -> Registry:
    """Registry from checked columns, with its index, digest and notices.

    ``rights`` are (n,) marks of the right ears, empty for animals with one mark; then ``marks`` of
    the others are their left ears'. ``seen_layouts`` are layouts seen in the ears of the herd, see
    :func:`legibility.identify.layouts.learned_layouts`.
    """
    table, right = build_mark_table(marks), None
    if rights is not None and (rights != b"").any():
        animals = np.flatnonzero(rights != b"").astype(np.int32)
        right = RightMarks(build_mark_table(rights[animals]), animals)
    return Registry(
        name=name,
        digest=_digest(table, columns, birth_years, right),
        table=table,
        columns=columns,
        birth_years=birth_years,
        lines=lines,
        notices=notices + _shared_marks(table, columns["animal_id"], right),
        layouts=_layouts(table, rules, seen_layouts or {}),
        rules=rules,
        right=right,
    )


def _layouts(
    table: MarkTable, rules: Rules | None, seen: Mapping[tuple[int, int], float]
) -> LayoutPrior:
    """From the row breaks that a list writes, and those seen in the herd's ears."""
    counts = dict(seen)
    basis = f"row breaks of {sum(seen.values()):.0f} marks seen in the ear" if seen else ""
    broken = table.second_row >= 0
    if broken.any():
        lengths = table.characters.astype(np.int64)
        first = lengths[table.first_row]
        second = np.where(broken, lengths[table.second_row], 0)
        pairs, number = np.unique(
            np.stack([first + second, np.where(broken, first, 0)]), axis=1, return_counts=True
        )
        for (n, k), count in zip(pairs.T.tolist(), number.tolist(), strict=True):
            counts[n, k] = counts.get((n, k), 0.0) + count * (1.0 if k else OPEN_IN_ONE_ROW)
        written = f"row breaks that the list writes for {int(broken.sum())} marks"
        basis = f"{basis} and {written}" if basis else written
    return learned_layouts(counts, basis=basis, rules=rules)


def _digest(
    table: MarkTable,
    columns: Mapping[str, TextColumn],
    birth_years: NDArray[np.int16],
    right: RightMarks | None,
) -> str:
    digest = hashlib.sha256(_mark_bytes(table))
    if right is not None:
        digest.update(b"right" + right.animals.astype("<i4").tobytes())
        digest.update(_mark_bytes(right.table))
    digest.update(birth_years.astype("<i2").tobytes())
    for field in TEXT_FIELDS:
        column = columns.get(field)
        if column is not None and column.data:
            digest.update(field.encode())
            digest.update(column.ends.astype("<i8").tobytes())
            digest.update(column.data)
    return digest.hexdigest()


def _mark_bytes(table: MarkTable) -> bytes:
    """What tells the marks of two tables apart."""
    second = np.concatenate([table.row_keys, np.zeros(1, dtype=np.uint64)])[table.second_row]
    return b"".join(
        keys.astype("<u8").tobytes() for keys in (table.row_keys[table.first_row], second)
    )


def _shared_marks(table: MarkTable, ids: TextColumn, right: RightMarks | None) -> tuple[str, ...]:
    notices: list[str] = []
    left_out = 0
    tables = [(table, np.arange(len(table), dtype=np.int32))]
    if right is not None:
        tables.append((right.table, right.animals))
    for marks, owners in tables:
        keys = marks.mark_keys
        first = np.flatnonzero(np.append(keys[:1] >= 0, keys[1:] != keys[:-1]))
        sizes = np.diff(np.append(first, keys.size))
        shared = np.flatnonzero(sizes > 1)
        named_here = shared[: max(0, NOTICES_NAMED - len(notices))]
        left_out += shared.size - named_here.size
        for group in named_here:
            start = int(first[group])
            places = sorted(int(a) for a in marks.mark_order[start : start + int(sizes[group])])
            named = ", ".join(ids[int(owners[place])] for place in places[:5])
            more = f" and {len(places) - 5} more" if len(places) > 5 else ""
            mark = marks.mark_text(places[0])
            where = "" if right is None or marks is table else " in the right ear"
            notices.append(f"mark {mark} is carried{where} by {len(places)} animals: {named}{more}")
    if left_out:
        notices.append(f"{left_out} more marks are carried by several animals")
    return tuple(notices)
