"""A case as a folder of files: everything its figures are made from, and nothing else.

A dossier is made from such a folder, and made again from the same folder out of its zip, so that
nothing outside can take part in the figures.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from legibility.containers import Animal
from legibility.errors import EvidenceError
from legibility.evidence.case_zip import safe_name
from legibility.settings import Settings, load_settings

if TYPE_CHECKING:
    from legibility.identify.animals import Registry

FORMAT: Final = 1
CASE: Final = "case.json"
SETTINGS: Final = "inputs/settings.toml"
REGISTRY: Final = "inputs/registry.json"
RULES: Final = "inputs/rules.toml"
KEY: Final = "inputs/blind-key.json"
MOST_MEGAPIXELS: Final = 200.0
MOST_FILE_MIB: Final = 500.0
"""Choice: a case from elsewhere may not ask for larger pictures than these to be decoded."""
_FIELDS: Final = ("animal_id", "mark", "ear", "birth_year")
"""What of a registry takes part in figures; nothing else of it is passed on."""


@dataclass(frozen=True, slots=True)
class CaseItem:
    """One original."""

    file: str
    """Name inside the case."""
    name: str
    """As it was called when it was taken in."""
    sha256: str
    size_bytes: int
    taken_in_at: str
    taken_in_by: str
    entries: tuple[Mapping[str, Any], ...] = ()
    """Entries of the record's chain that name it: number, time, who, what, hash."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Case:
    """What is asked, of which files."""

    question: str
    claims: tuple[str, str]
    items: tuple[CaseItem, ...]
    made_at: str
    made_by: str
    authority: str = ""
    """Which one decides; empty: the one that keeps the registry."""
    number: int = 0
    """In the herd's record; 0 without one."""
    summary: str = ""
    """Of the case in the herd's record."""
    chain: Mapping[str, Any] | None = None
    """Head of the record's chain when the case was put together."""
    different_ears: bool = False
    sheets: tuple[str, ...] = ()
    """Files of blind readings."""


def case_text(case: Case) -> str:
    """The file ``case.json``."""
    return json.dumps({"format": FORMAT, **asdict(case)}, indent=1, allow_nan=False) + "\n"


def load_case(folder: Path) -> Case:
    """The case of a folder.

    Raises
    ------
    EvidenceError
        If its file cannot be used.
    """
    path = folder / CASE
    values: Any
    try:
        values = json.loads(path.read_text("utf-8"))
        if values.pop("format") != FORMAT:
            raise ValueError(f"format is not {FORMAT}")
        items = tuple(
            CaseItem(**{**item, "entries": tuple(item["entries"])}) for item in values["items"]
        )
        first, second = (str(claim) for claim in values["claims"])
        names = [*(item.file for item in items), *values["sheets"]]
        if not items or not all(isinstance(n, str) and safe_name(n) for n in names):
            raise ValueError("no items, or a name that leads outside")
        return Case(
            **{
                **values,
                "items": items,
                "claims": (first, second),
                "sheets": tuple(names[len(items) :]),
            }
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise EvidenceError(f"{CASE}: cannot be used: {error}") from error


def settings_files(settings: Settings) -> tuple[Settings, dict[str, bytes]]:
    """Settings whose files are those of the case, and all files that need to go with them.

    Raises
    ------
    EvidenceError
        If a file that the settings name cannot be read.
    """
    files: dict[str, bytes] = {}
    for name in _file_settings():
        given = str(getattr(settings, name))
        if given:
            inside = f"inputs/{name.replace('_', '-')}{Path(given).suffix.lower() or '.json'}"
            try:
                files[inside] = Path(given).read_bytes()
            except OSError as error:
                raise EvidenceError(
                    f"{given}: cannot be read: {error.strerror or error}"
                ) from error
            settings = replace(settings, **_one(name, inside))
    lines = [
        f"{field.name} = {json.dumps(getattr(settings, field.name), ensure_ascii=False)}"
        for field in fields(Settings)
    ]
    files[SETTINGS] = ("\n".join(lines) + "\n").encode("utf-8")
    return settings, files


def load_case_settings(folder: Path) -> tuple[Settings, Settings]:
    """Settings as stated in the case, and the same with the paths of its files in this folder.

    Raises
    ------
    SettingsError
        If the file cannot be used.
    EvidenceError
        If the settings lead outside the case, or ask for enormous pictures.
    """
    stated = load_settings(folder / SETTINGS)
    here = stated
    for name in _file_settings():
        inside = str(getattr(stated, name))
        if inside:
            if not safe_name(inside):
                raise EvidenceError(f"{SETTINGS}: {name} leads outside the case: {inside!r}")
            here = replace(here, **_one(name, str(folder / inside)))
    if stated.max_megapixels > MOST_MEGAPIXELS or stated.max_file_mib > MOST_FILE_MIB:
        raise EvidenceError(
            f"{SETTINGS}: asks for pictures of more than {MOST_MEGAPIXELS:g} megapixels or "
            f"{MOST_FILE_MIB:g} MiB; a case may not"
        )
    return stated, here


def registry_file(registry: Registry) -> bytes:
    """What of a registry the figures rest on, as JSON; nothing a spreadsheet could run."""
    animals = [registry.animal(index) for index in range(len(registry.columns["animal_id"]))]
    values = {
        "format": FORMAT,
        "fields": list(_FIELDS),
        "animals": [[getattr(animal, name) for name in _FIELDS] for animal in animals],
    }
    return (json.dumps(values, separators=(",", ":")) + "\n").encode("ascii")


def load_case_registry(folder: Path, *, rules: Any = None) -> Registry | None:
    """The extract of the registry; None when the case has none.

    Raises
    ------
    EvidenceError
        If the file cannot be used.
    RegistryError
        If a mark in it breaks the rules.
    """
    from legibility.identify.registry import registry_of

    path = folder / REGISTRY
    if not path.exists():
        return None
    values: Any
    try:
        values = json.loads(path.read_text("utf-8"))
        if values["format"] != FORMAT or values["fields"] != list(_FIELDS):
            raise ValueError("unknown format or fields")
        animals = [
            Animal(str(animal_id), str(mark), str(ear), int(year), line=line)
            for line, (animal_id, mark, ear, year) in enumerate(values["animals"], start=1)
        ]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise EvidenceError(f"{REGISTRY}: cannot be used: {error}") from error
    return registry_of(animals, name="the registry extract", rules=rules)


def write_files(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write a case's files into a folder."""
    for name, data in files.items():
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)


def _file_settings() -> tuple[str, ...]:
    return tuple(field.name for field in fields(Settings) if field.name.endswith("_file"))


def _one(name: str, value: str) -> dict[str, Any]:
    return {name: value}
