"""The list that comes with a folder of photos: which animal, which ear, which transponder."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from legibility.errors import ChipError
from legibility.identify.row_problems import unused_columns
from legibility.photo.capture_time import capture_time
from legibility.photo.load import printable_name
from legibility.pipeline.herd_scans import scan_of
from legibility.pipeline.import_rows import Problems, read_ear, read_table, read_time
from legibility.store.records import PhotoRow, ScanRow

COLUMNS: Final = ("file", "animal_id", "ear", "stage", "taken_at", "chip", "note")


@dataclass(frozen=True, slots=True)
class ManifestRow:
    """What is said of one photo."""

    animal_id: str = ""
    ear: str = ""
    stage: str = ""
    taken_at: str = ""
    scan: ScanRow | None = None
    """The transponder that was read when the photo was taken."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """What is said of the photos of a folder, by their absolute path."""

    rows: Mapping[str, ManifestRow] = field(default_factory=dict)
    notices: tuple[str, ...] = ()

    def of(self, path: Path) -> ManifestRow:
        """What is said of one photo; nothing for one that is not in the list."""
        return self.rows.get(os.path.abspath(path), ManifestRow())


def read_manifest(
    path: Path, *, animals: Iterable[str], hex_order: str = "", allow_test: bool = False
) -> Manifest:
    """A manifest: a CSV file with the column ``file`` and any others of ``COLUMNS``.

    Parameters
    ----------
    path : Path
        Files are named relative to the folder of the manifest.
    animals : iterable of str
        Those in the record; another one is an error.

    Raises
    ------
    RowsError
        If any row cannot be used; all are named with line and field.
    """
    table = read_table(path, known=COLUMNS, needed=("file",))
    problems, known = Problems(table.name), frozenset(animals)
    rows: dict[str, ManifestRow] = {}
    for line, cells in table.rows:
        file = Path(os.path.abspath(path.parent / cells["file"]))
        if not cells["file"] or not file.is_file():
            problems.add(line, f"file: there is no {printable_name(file)}")
            continue
        if str(file) in rows:
            problems.add(line, f"file: {cells['file']} is in the list twice")
        row = _row(line, file, cells, known, problems, hex_order, allow_test)
        if row is not None:
            rows[str(file)] = row
    problems.raise_if_any()
    unknown = [c for c in table.columns if c and c not in COLUMNS]
    notices: tuple[str, ...] = ()
    if unknown:
        notices += (unused_columns(unknown),)
    refused = [r.scan for r in rows.values() if r.scan and r.scan.outcome == "refused"]
    if refused:
        notices += (
            f"{len(refused)} transponder numbers cannot stand for an animal: {refused[0].note}",
        )
    return Manifest(rows, notices)


def photo_row(
    path: Path, said: ManifestRow, *, sha256: str, size_bytes: int, stored: str = ""
) -> PhotoRow:
    """Row of a photo for the record; the time is the list's, else the camera's."""
    return PhotoRow(
        sha256=sha256,
        path=os.path.abspath(path),
        stored=stored,
        size_bytes=size_bytes,
        stage=said.stage,
        taken_at=said.taken_at or capture_time(path),
        ear=said.ear,
        animal_id=said.animal_id,
        claimed_by="manifest" if said.animal_id else "",
    )


def _row(
    line: int,
    file: Path,
    cells: Mapping[str, str],
    known: frozenset[str],
    problems: Problems,
    hex_order: str,
    allow_test: bool,
) -> ManifestRow | None:
    animal_id, chip = cells.get("animal_id", ""), cells.get("chip", "")
    if animal_id and animal_id not in known:
        problems.add(line, f"animal_id: {animal_id!r} is not in the record")
    try:
        ear = read_ear(cells.get("ear", ""))
    except ValueError as error:
        problems.add(line, f"ear: {error}")
        return None
    try:
        taken_at = read_time(cells.get("taken_at", ""))
    except ValueError as error:
        problems.add(line, f"taken_at: {error}")
        return None
    scan = None
    if chip:
        at = taken_at or capture_time(file)
        try:
            scan = scan_of(
                chip, at=at, hex_order=hex_order, reader="manifest", allow_test=allow_test
            )
        except ChipError as error:
            problems.add(line, f"chip: {error}")
    return ManifestRow(animal_id, ear, cells.get("stage", ""), taken_at, scan)
