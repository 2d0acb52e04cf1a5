"""From a registry file to rows of the herd's record, and from the record to a registry."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

from legibility import __version__
from legibility.containers import Animal
from legibility.errors import ChipError, RegistryError
from legibility.herd.chip import identity_problem
from legibility.herd.chiptext import parse_chip
from legibility.identify.registry import Registry, read_registry, registry_of
from legibility.identify.row_problems import PROBLEMS_NAMED, Problems, RowProblem
from legibility.identify.rules import Rules
from legibility.store.animals import all_animals, all_chips
from legibility.store.database import HerdDatabase, open_herd
from legibility.store.importing import RegistryRow, Source
from legibility.store.marks import current_marks
from legibility.store.records import AnimalRow, MarkRow
from legibility.store.stamp import registry_stamp

NOTICES_NAMED: Final = 5
"""Choice: most refused transponders named one by one."""


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
    rows = []
    for animal in registry:
        chip = _chip(animal, problems, refused, read.place, allow_test=allow_test)
        rows.append(_row(animal, read.extra.get(animal.line, {}), chip, problems))
    if problems.count and not accept_good:
        raise RegistryError(problems.message(registry.name, most=PROBLEMS_NAMED))
    notices = [*registry.notices, *refused[:NOTICES_NAMED]]
    if len(refused) > NOTICES_NAMED:
        notices.append(f"{len(refused) - NOTICES_NAMED} more transponder numbers not used")
    return RegistryFile(
        tuple(rows),
        Source(registry.name, read.sha256, who, __version__),
        tuple(notices),
        tuple(sorted(problems.named)),
        read.rows,
        registry,
    )


def registry_from(db: HerdDatabase, *, rules: Rules | None = None) -> Registry:
    """The newest mark of each animal, for reading photos against.

    Raises
    ------
    RegistryError
        If the record holds no mark, or one that breaks the rules.
    """
    animals = {animal.animal_id: animal for animal in all_animals(db)}
    chips = {chip.animal_id: chip.number for chip in all_chips(db)}
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
        for number, mark in enumerate(current_marks(db), start=1)
    ]
    if not found:
        raise RegistryError(
            f"{db.path}: holds no marks yet; import them with: legibility herd import-registry"
        )
    return registry_of(found, name=str(db.path), rules=rules)


def herd_registry(herd: Path) -> Registry | None:
    """The record's registry, kept until its animals or marks change; None without any mark.

    Raises
    ------
    StoreError, RegistryError
        If the record cannot be used.
    """
    with open_herd(herd) as db:
        stamp = registry_stamp(db) if db.count("marks") else ""
    return _kept_registry(herd, stamp) if stamp else None


@lru_cache(maxsize=1)
def _kept_registry(herd: Path, stamp: str) -> Registry:
    with open_herd(herd, read_only=True) as db:
        return registry_from(db)


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
        ),
        chip,
    )
