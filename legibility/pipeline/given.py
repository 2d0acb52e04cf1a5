"""What people say beside a photo, from files and words."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from legibility.containers import EyeReading, Given, Known
from legibility.errors import RowsError, SettingsError
from legibility.evidence.reliability import load_reliability
from legibility.identify.animals import Registry
from legibility.marks.open_readings import NOTHING, clean_reading
from legibility.photo.load import printable_name
from legibility.pipeline.explain import index_of
from legibility.pipeline.import_rows import decoded, read_file, read_table
from legibility.settings import Settings

LONGEST_NAME: Final = 200
"""Choice: characters of an identifier or a reader's name."""
YEARS: Final = re.compile(r"\s*(\d{4})?\s*(-)?\s*(\d{4})?\s*")
AGES: Final = re.compile(r"\s*(\d{1,2})\s*(?:-\s*(\d{1,2})\s*)?")
UNNAMED: Final = "a reader without a name"


def present_list(path: Path) -> tuple[str, ...]:
    """Identifiers of the animals that are present.

    Parameters
    ----------
    path : Path
        CSV file in UTF-8 with a column ``animal_id``, or a text file with one identifier a line.

    Raises
    ------
    RowsError
        If the file cannot be read, or holds no identifier or a bad one.
    """
    name = printable_name(path)
    lines = decoded(read_file(path), name).splitlines()
    header = [cell.strip().strip('"').lower() for cell in re.split(r"[,;\t]", (lines or [""])[0])]
    if "animal_id" in header:
        table = read_table(path, known=("animal_id",), needed=("animal_id",))
        found = [(line, cells["animal_id"]) for line, cells in table.rows]
    else:
        found = [(number, line.strip()) for number, line in enumerate(lines, start=1)]
    named = [(line, animal_id) for line, animal_id in found if animal_id]
    for line, animal_id in named:
        if len(animal_id) > LONGEST_NAME or not animal_id.isprintable():
            raise RowsError(
                f"{name}: line {line}: animal_id: found {animal_id[:40]!r}; expected a short "
                "printable identifier"
            )
    if not named:
        raise RowsError(f"{name}: holds no identifier; expected one animal_id a line")
    return tuple(dict.fromkeys(animal_id for _, animal_id in named))


def years_of(text: str) -> tuple[int, int]:
    """First and last year of birth of ``2019``, ``2017-2019``, ``2017-`` or ``-2019``.

    Examples
    --------
    >>> years_of("2017-2019"), years_of("-2019")
    ((2017, 2019), (0, 2019))

    Raises
    ------
    ValueError
        If it is no such range.
    """
    found = YEARS.fullmatch(text)
    if not found or not (found[1] or found[3]):
        raise ValueError(f"found {text[:40]!r}; expected a year or a range such as 2017-2019")
    first = int(found[1] or 0)
    last = int(found[3] or 0) if found[2] else first
    if last and first > last:
        raise ValueError(f"found {text[:40]!r}; the first year is after the last")
    return first, last


def years_at_age(text: str, *, now: int) -> tuple[int, int]:
    """First and last year of birth of an animal of ``3`` or ``3-5`` full years.

    Examples
    --------
    >>> years_at_age("3-5", now=2026)
    (2020, 2023)

    Raises
    ------
    ValueError
        If it is no such range.
    """
    found = AGES.fullmatch(text)
    if not found:
        raise ValueError(f"found {text[:40]!r}; expected full years such as 3 or 3-5")
    youngest = int(found[1])
    oldest = int(found[2] or youngest)
    if youngest > oldest:
        raise ValueError(f"found {text[:40]!r}; the first age is above the last")
    return now - oldest - 1, now - youngest


def known_animal(
    *,
    present: Path | Sequence[str] | None = None,
    alive: bool = False,
    sex: str = "",
    born: tuple[int, int] = (0, 0),
    ear: str = "",
) -> Known:
    """What is known of an animal beforehand.

    Parameters
    ----------
    present : path or sequence of str, optional
        A list of the animals that may be here, see :func:`present_list`, or their identifiers.

    Raises
    ------
    RowsError
        If the list cannot be used.
    ValueError
        If a sex or ear is unknown.
    """
    if sex not in ("", "male", "female"):
        raise ValueError(f"sex is {sex!r}; expected male, female or nothing")
    if ear not in ("", "left", "right"):
        raise ValueError(f"ear {ear!r} is not known; expected left, right or nothing")
    listed: tuple[str, ...] = ()
    name = ""
    if isinstance(present, Path):
        listed, name = present_list(present), printable_name(present)
    elif present is not None:
        listed, name = tuple(present), "the list"
    return Known(listed, name, alive, sex, born, ear)


def eye_readings(
    texts: Sequence[str],
    readers: Sequence[str] = (),
    *,
    reliability: Path | None = None,
    settings: Settings,
) -> tuple[EyeReading, ...]:
    """People's readings, each with its reader's measured reliability.

    Parameters
    ----------
    texts : sequence of str
        As ``K?17`` or ``K[8B]17``; rows apart by ``/``; ``-`` for nothing to read.
    readers : sequence of str
        Who read each; none, or one a reading.
    reliability : Path, optional
        File of ``legibility blind score --reliability``.
    settings : Settings
        ``named_right_probability`` holds for readers who were not measured.

    Raises
    ------
    ValueError
        If a reading cannot be one, or readers and readings differ in number.
    EvidenceError
        If the file cannot be used.
    """
    if readers and len(readers) != len(texts):
        raise ValueError(f"{len(texts)} readings and {len(readers)} readers; expected one for each")
    measured: Mapping[str, tuple[float, str]] = {}
    name = ""
    if reliability is not None:
        measured, name = load_reliability(reliability), printable_name(reliability)
    found = []
    for number, text in enumerate(texts):
        cleaned, problem = clean_reading(text)
        if not cleaned:
            problem = 'a reading is empty; write "-" where nothing can be read'
        if problem:
            raise ValueError(problem)
        reader = readers[number].strip() if readers else ""
        if len(reader) > LONGEST_NAME or not reader.isprintable():
            raise ValueError(f"reader {reader[:40]!r} is no short printable name")
        basis = "not measured: the default of the settings"
        if reliability is not None and reader not in measured:
            basis = f"not in {name}: the default of the settings"
        said = EyeReading(
            "" if cleaned == NOTHING else cleaned,
            reader or UNNAMED,
            settings.named_right_probability,
            basis,
        )
        if reader in measured:
            accuracy, counts = measured[reader]
            said = replace(said, accuracy=accuracy, basis=f"{counts}, {name}")
        found.append(said)
    return tuple(found)


def checked_given(given: Given, registry: Registry | None) -> Given:
    """The same, if there is a registry to weigh it against (an ear alone needs none).

    Raises
    ------
    SettingsError
        If something was said or asked but there is no registry.
    RegistryError
        If the animal to explain is not in it.
    """
    if registry is None and replace(given, known=replace(given.known, ear="")) != Given():
        raise SettingsError(
            "what is known of the animal and what people read is weighed against registered "
            "animals; give --registry too"
        )
    if given.explain and registry is not None:
        index_of(registry, given.explain)
    return given
