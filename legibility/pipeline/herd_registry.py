"""From a registry file to rows of the herd's record, and from the record to a registry."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

from legibility import __version__
from legibility.containers import Animal
from legibility.errors import ChipError, RegistryError
from legibility.herd.chip import identity_problem
from legibility.herd.chiptext import parse_chip
from legibility.identify.registry import Registry, load_registry, registry_of
from legibility.identify.row_problems import unused_columns
from legibility.identify.rules import Rules
from legibility.pipeline.import_rows import Problems, read_day, read_table
from legibility.store.animals import all_animals, all_chips
from legibility.store.database import HerdDatabase, open_herd
from legibility.store.importing import RegistryRow, Source
from legibility.store.marks import current_marks
from legibility.store.records import AnimalRow, MarkRow
from legibility.store.stamp import registry_stamp

EXTRA: Final = ("birth_date", "skin", "applied_on", "die_set", "ink", "operator", "note")
"""Columns that the record keeps beyond those a reading needs."""
NOTICES_NAMED: Final = 5
"""Choice: most refused transponders named one by one."""


@dataclass(frozen=True, slots=True)
class RegistryFile:
    """A registry file, checked as a whole."""

    rows: tuple[RegistryRow, ...]
    source: Source
    notices: tuple[str, ...]


def read_registry_file(
    path: Path, *, rules: Rules | None = None, allow_test: bool = False, who: str = ""
) -> RegistryFile:
    """Rows for :func:`legibility.store.importing.import_registry`.

    Besides the columns of a registry these are kept: ``skin`` (colour of the ear), ``applied_on``,
    ``die_set``, ``ink``, ``operator``, ``note``.

    Parameters
    ----------
    allow_test : bool
        Take transponder numbers of the test range for identities.

    Raises
    ------
    RegistryError, RowsError
        If any row cannot be used: a bad mark or field, a mark applied before the birth, a
        transponder number that cannot be one. All are named with their line.
    """
    registry = load_registry(path, rules=rules)
    table = read_table(path, known=(*EXTRA, "animal_id"), needed=("animal_id", "mark"))
    cells = dict(table.rows)
    problems = Problems(registry.name)
    refused: list[str] = []
    rows = []
    for animal in registry:
        chip = _chip(animal, problems, refused, allow_test=allow_test)
        rows.append(_row(animal, cells.get(animal.line, {}), chip, problems))
    problems.raise_if_any()
    notices = [n for n in registry.notices if not n.startswith("columns not used")]
    unknown = [c for c in table.columns if c and c not in (*EXTRA, *_KNOWN)]
    if unknown:
        notices.append(unused_columns(unknown))
    notices += refused[:NOTICES_NAMED]
    if len(refused) > NOTICES_NAMED:
        notices.append(f"{len(refused) - NOTICES_NAMED} more transponder numbers not used")
    source = Source(registry.name, table.sha256, who, __version__)
    return RegistryFile(tuple(rows), source, tuple(notices))


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


_KNOWN: Final = ("animal_id", "mark", "ear", "birth_year", "sex", "chip", "status")


def _chip(animal: Animal, problems: Problems, refused: list[str], *, allow_test: bool) -> str:
    if not animal.chip:
        return ""
    try:
        code = parse_chip(animal.chip).code
    except ChipError as error:
        problems.add(animal.line, f"chip: {error}")
        return ""
    reason = identity_problem(code, allow_test=allow_test)
    if reason:
        refused.append(f"line {animal.line}: {animal.animal_id}: {reason}")
        return ""
    return code.number


def _row(animal: Animal, cells: Mapping[str, str], chip: str, problems: Problems) -> RegistryRow:
    applied_on = ""
    try:
        applied_on = read_day(cells.get("applied_on", ""))
    except ValueError as error:
        problems.add(animal.line, f"applied_on: {error}")
    birth_date = cells.get("birth_date", "")
    born = birth_date or (str(animal.birth_year) if animal.birth_year else "")
    if applied_on and born and applied_on[: len(born)] < born:
        problems.add(
            animal.line,
            f"applied_on is {applied_on}, before the birth ({born}); one of the two is wrong",
        )
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
