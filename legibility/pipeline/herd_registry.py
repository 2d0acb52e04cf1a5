"""From a registry file to rows of the herd's record, and from the record to a registry."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Final, TypeAlias

from legibility import __version__
from legibility.containers import Animal
from legibility.errors import ChipError, RegistryError
from legibility.herd.chip import identity_problem
from legibility.herd.chiptext import parse_chip
from legibility.identify.layouts import LEAST_LEARNED
from legibility.identify.registry import Registry, read_registry, registry_of
from legibility.identify.row_problems import PROBLEMS_NAMED, Problems, RowProblem
from legibility.identify.rules import Rules
from legibility.identify.textcolumn import text_column
from legibility.photo.flags import PREVENTS_READING
from legibility.store.animals import all_animals, all_chips
from legibility.store.database import HerdDatabase, open_herd
from legibility.store.importing import RegistryRow, Source
from legibility.store.layouts_seen import LayoutCounts, layout_counts
from legibility.store.marks import current_marks
from legibility.store.records import AnimalRow, MarkRow
from legibility.store.stamp import readings_stamp, registry_stamp

NOTICES_NAMED: Final = 5
"""Choice: most refused transponders named one by one."""
COUNTED_AGAIN: Final = 1.01
"""Choice: the layouts seen are counted anew when there are so many times the readings."""
LEARNED_AGAIN: Final = 1.1
"""Choice: a registry that is kept learns the layouts anew when so many times the marks, or so many
times fewer, were seen; a prior hardly moves by less."""

SeenLayouts: TypeAlias = tuple[tuple[tuple[int, int], float], ...]
"""Counts of :func:`layout_counts` that can be a key."""


@dataclass(frozen=True, slots=True)
class RegistryFile:
    """A registry file, checked as a whole."""

    rows: tuple[RegistryRow, ...]
    source: Source
    notices: tuple[str, ...]
    problems: tuple[RowProblem, ...] = ()
    """Rows and cells that cannot be used and are left out."""
    found: int = 0
    """Rows of the file, those left out included."""
    registry: Registry | None = None
    """The same for reading photos against."""


def read_registry_file(
    path: Path,
    *,
    rules: Rules | None = None,
    columns: Mapping[str, str] | None = None,
    allow_test: bool = False,
    accept_good: bool = False,
    who: str = "",
) -> RegistryFile:
    """Rows for :func:`legibility.store.importing.import_registry`.

    Besides the columns of a registry these are kept: ``skin`` (colour of the ear), ``applied_on``,
    ``die_set``, ``ink``, ``operator``, ``note``.

    Parameters
    ----------
    path, rules, columns
        As :func:`legibility.load_registry`.
    allow_test : bool
        Take transponder numbers of the test range for identities.
    accept_good : bool
        Leave out the cells that cannot be used, and rows without an animal or a mark, and name them
        in ``problems``, instead of refusing the file.

    Raises
    ------
    RegistryError
        If the columns are not clear, or any row cannot be used: a bad mark or field, a mark applied
        before the birth, a transponder number that cannot be one. All are named with their place.
    """
    read = read_registry(path, rules=rules, columns=columns)
    registry = read.registry
    problems = Problems(sys.maxsize, named=list(read.problems), place=read.place)
    problems.count = len(read.problems)
    refused: list[str] = []
    carriers: dict[str, list[str]] = {}
    rows = []
    for index, animal in enumerate(registry):
        chip = _chip(animal, problems, refused, read.place, allow_test=allow_test)
        if chip:
            carriers.setdefault(chip, []).append(animal.animal_id)
        written = registry.written_mark(index)
        cells = dict(read.extra.get(animal.line, {}))
        cells["written"] = written if written != animal.mark else ""
        rows.append(_row(animal, cells, chip, problems))
    if problems.count and not accept_good:
        raise RegistryError(problems.message(registry.name, most=PROBLEMS_NAMED))
    notices = [*registry.notices, *refused[:NOTICES_NAMED]]
    if len(refused) > NOTICES_NAMED:
        notices.append(f"{len(refused) - NOTICES_NAMED} more transponder numbers not used")
    notices += _shared_chips(carriers)
    return RegistryFile(
        tuple(rows),
        Source(registry.name, read.sha256, who, __version__),
        tuple(notices),
        tuple(sorted(problems.named)),
        read.rows,
        registry,
    )


def layouts_of_herd(db: HerdDatabase) -> LayoutCounts:
    """How the herd's own readings show marks whose rows nobody wrote down."""
    return layout_counts(db, bad=PREVENTS_READING)


def registry_from(
    db: HerdDatabase, *, rules: Rules | None = None, seen: SeenLayouts | None = None
) -> Registry:
    """The newest mark of each animal, for reading photos against.

    Parameters
    ----------
    rules : Rules, optional
    seen : tuple, optional
        Layouts from which those of other marks are learned, instead of all that the record shows
        now (:func:`layouts_of_herd`).

    Raises
    ------
    RegistryError
        If the record holds no mark, or one that breaks the rules.
    """
    animals = {animal.animal_id: animal for animal in all_animals(db)}
    chips = {chip.animal_id: chip.number for chip in all_chips(db)}
    marks = list(current_marks(db))
    found = [
        Animal(
            animal_id=mark.animal_id,
            mark=mark.text,
            ear=mark.ear,
            birth_year=animals[mark.animal_id].birth_year,
            sex=animals[mark.animal_id].sex,
            chip=chips.get(mark.animal_id, ""),
            status=animals[mark.animal_id].status,
            line=number,
        )
        for number, mark in enumerate(marks, start=1)
    ]
    if not found:
        raise RegistryError(
            f"{db.path}: holds no marks yet; import them with: legibility herd import-registry"
        )
    counts = layouts_of_herd(db) if seen is None else dict(seen)
    registry = registry_of(found, name=str(db.path), rules=rules, seen_layouts=counts)
    written = [mark.written for mark in marks]
    return replace(registry, written=text_column(written)) if any(written) else registry


def herd_registry(herd: Path) -> Registry | None:
    """The record's registry, kept while it holds; None without any mark.

    It is made anew when animals or marks change, and when the readings show at least
    ``LEAST_LEARNED`` marks and a tenth more (or fewer) than those it learned from. They are counted
    when there are a hundredth more readings, or a person corrected or decided something.

    Raises
    ------
    StoreError, RegistryError
        If the record cannot be used.
    """
    with open_herd(herd) as db:
        stamp = registry_stamp(db) if db.count("marks") else ""
        seen = _kept_layouts(db, stamp) if stamp else ()
    return _kept_registry(herd, stamp, seen) if stamp else None


@lru_cache(maxsize=1)
def _kept_registry(herd: Path, stamp: str, seen: SeenLayouts) -> Registry:
    with open_herd(herd, read_only=True) as db:
        return registry_from(db, seen=seen)


@dataclass(frozen=True, slots=True)
class _Counted:
    """When the layouts of a record were counted, and those that its registry learned from."""

    stamp: str
    readings: int
    said: str
    seen: SeenLayouts


_counted: Final[dict[Path, _Counted]] = {}
"""By record; a process serves one, or a few."""


def _kept_layouts(db: HerdDatabase, stamp: str) -> SeenLayouts:
    """Layouts that the kept registry learned from, or those seen now where it has to learn anew."""
    readings, said = readings_stamp(db)
    before = _counted.get(db.path)
    if before is not None and before.stamp != stamp:
        before = None
    if before is not None and before.said == said and not _many_more(before.readings, readings):
        return before.seen
    seen = tuple(layouts_of_herd(db).items())
    if before is not None and not _learns(before.seen, seen):
        seen = before.seen
    _counted[db.path] = _Counted(stamp, readings, said, seen)
    return seen


def _many_more(before: int, now: int) -> bool:
    return not before <= now < COUNTED_AGAIN * before


def _learns(before: SeenLayouts, now: SeenLayouts) -> bool:
    """Whether so many more or fewer marks were seen that their layouts are learned anew."""
    old, new = sorted((sum(n for _, n in before), sum(n for _, n in now)))
    return new >= LEAST_LEARNED and new >= LEARNED_AGAIN * old


def _chip(
    animal: Animal,
    problems: Problems,
    refused: list[str],
    place: Callable[[int, str], str],
    *,
    allow_test: bool,
) -> str:
    if not animal.chip:
        return ""
    try:
        code = parse_chip(animal.chip).code
    except ChipError as error:
        problems.add(animal.line, "chip", f"chip: {error}")
        return ""
    reason = identity_problem(code, allow_test=allow_test)
    if reason:
        where = place(animal.line, "chip") or f"line {animal.line}"
        refused.append(f"{where}: {animal.animal_id}: {reason}")
        return ""
    return code.number


def _shared_chips(carriers: Mapping[str, Sequence[str]]) -> list[str]:
    """Notices of transponder numbers that are written for several animals."""
    shared = [(chip, ids) for chip, ids in carriers.items() if len(ids) > 1]
    notices = []
    for chip, ids in shared[:NOTICES_NAMED]:
        named = ", ".join(ids[:5]) + (f" and {len(ids) - 5} more" if len(ids) > 5 else "")
        notices.append(f"transponder {chip} is written for {len(ids)} animals: {named}")
    if more := len(shared) - len(notices):
        notices.append(f"{more} more transponders are written for several animals")
    return notices


def _row(animal: Animal, cells: Mapping[str, str], chip: str, problems: Problems) -> RegistryRow:
    applied_on = cells.get("applied_on", "")
    birth_date = cells.get("birth_date", "")
    born = birth_date or (str(animal.birth_year) if animal.birth_year else "")
    if applied_on and born and applied_on[: len(born)] < born:
        problem = f"applied_on is {applied_on}, before the birth ({born}); one of the two is wrong"
        problems.add(animal.line, "applied_on", problem)
        applied_on = ""
    return RegistryRow(
        AnimalRow(
            animal.animal_id,
            birth_date=birth_date,
            birth_year=animal.birth_year,
            sex=animal.sex,
            status=animal.status,
            skin=cells.get("skin", ""),
            note=cells.get("note", ""),
        ),
        MarkRow(
            animal.animal_id,
            animal.mark,
            ear=animal.ear,
            applied_on=applied_on,
            die_set=cells.get("die_set", ""),
            ink=cells.get("ink", ""),
            operator=cells.get("operator", ""),
            written=cells["written"],
        ),
        chip,
    )
