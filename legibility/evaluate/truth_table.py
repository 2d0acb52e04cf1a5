"""The table of photos whose animal is known from its transponder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from legibility.identify.animals import Registry
from legibility.pipeline.import_rows import Problems, read_table

_COLUMNS: Final = ("photo", "animal_id")


@dataclass(frozen=True, slots=True)
class KnownPhoto:
    """One line of the table."""

    path: Path
    animal_id: str
    """Empty: not registered."""
    line: int


@dataclass(frozen=True, slots=True)
class TruthTable:
    """All lines, in the order of the file."""

    name: str
    photos: tuple[KnownPhoto, ...]


def load_truth_table(path: Path, registry: Registry) -> TruthTable:
    """Photos and their animals from a CSV file.

    Parameters
    ----------
    path : Path
        Columns ``photo`` (relative to this file) and ``animal_id`` (empty when not registered).
    registry : Registry
        Must hold every animal named.

    Raises
    ------
    RowsError
        If the file cannot be used; every bad line is named with its field.
    """
    table = read_table(path, known=_COLUMNS, needed=_COLUMNS)
    ids = registry.columns["animal_id"]
    known = {ids[index] for index in range(len(ids))}
    problems, photos = Problems(table.name, "nothing was used"), []
    first: dict[Path, int] = {}
    for line, cells in table.rows:
        photo = path.parent / cells["photo"]
        animal_id = cells["animal_id"]
        if not cells["photo"]:
            problems.add(line, "photo is empty")
        elif photo.is_dir():
            problems.add(line, f"photo {cells['photo']!r:.60} is a folder; name one file")
        elif photo in first:
            problems.add(line, f"photo was already on line {first[photo]}")
        elif animal_id and animal_id not in known:
            problems.add(
                line,
                f"animal_id {animal_id!r:.60} is not in {registry.name}; leave it empty for an "
                "animal that is not registered",
            )
        first.setdefault(photo, line)
        photos.append(KnownPhoto(photo, animal_id, line))
    problems.raise_if_any()
    return TruthTable(table.name, tuple(photos))
