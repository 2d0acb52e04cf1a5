"""A list of photos by animal, ear and stage, and a herd's record of what steps did.

Photos are named relative to the folder of the list and must lie in it or below it, links followed:
a list that came with a folder of photos cannot reach for other files. A file elsewhere is named by
its absolute path.
"""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from legibility.containers import Flag, SessionResult, Stage
from legibility.identify.row_problems import unused_columns
from legibility.identify.stages import STEPS, stage_name, stage_of
from legibility.identify.step_effects import StepOutcome
from legibility.photo.load import printable_name
from legibility.pipeline.import_rows import Problems, read_ear, read_table
from legibility.pipeline.session import Shot

COLUMNS: Final = ("photo", "animal", "session", "ear", "stage")
"""``photo`` and one of ``animal`` and ``session`` are needed; a row without one is its own."""
RECORD_COLUMNS: Final = ("step", "before", "after", "hair")
"""Of a file of recorded outcomes; the last one may be left out."""
LONGEST_NAME: Final = 200
"""Choice: characters of an animal's or session's name."""


@dataclass(frozen=True, slots=True)
class SessionList:
    """Photos by session, in the order of the list."""

    sessions: tuple[tuple[str, tuple[Shot, ...]], ...]
    notices: tuple[str, ...] = ()


def read_session_list(path: Path) -> SessionList:
    """Sessions of a manifest.

    Parameters
    ----------
    path : Path
        CSV file in UTF-8 with a header of ``COLUMNS``. Photos of one animal belong together
        wherever they stand; their order is that of the list.

    Raises
    ------
    RowsError
        If the file or any row cannot be used; all bad rows are named with line and field.
    """
    table = read_table(path, known=COLUMNS, needed=("photo",))
    problems = Problems(table.name)
    names = [column for column in ("animal", "session") if column in table.columns]
    if len(names) != 1:
        found = "both" if names else "neither"
        problems.add(1, f"found {found} of the columns animal and session; expected one of them")
        problems.raise_if_any()
    sessions: dict[str, list[Shot]] = {}
    owners: dict[str, tuple[str, int]] = {}
    for line, cells in table.rows:
        name = cells[names[0]]
        file = _file(path, cells["photo"], line, problems)
        ear, stage = _ear_and_stage(cells.get("ear", ""), cells.get("stage", ""), line, problems)
        if not name:
            problems.add(line, f"{names[0]}: is empty; expected the name that groups the photos")
        elif len(name) > LONGEST_NAME or not name.isprintable():
            problems.add(line, f"{names[0]}: found {name[:40]!r}; expected a short printable name")
        if file is None or not name:
            continue
        key = os.path.realpath(file)
        owner, before = owners.setdefault(key, (name, line))
        if owner != name:
            problems.add(
                line,
                f"photo: {printable_name(cells['photo'])} was listed for {owner!r} on line "
                f"{before}; one photo shows one animal",
            )
        sessions.setdefault(name, []).append(Shot(file, ear, stage))
    problems.raise_if_any()
    if not sessions:
        problems.add(2, "there is no row below the header; expected one line a photo")
        problems.raise_if_any()
    unknown = [column for column in table.columns if column and column not in COLUMNS]
    notices = (f"{table.name}: {unused_columns(unknown)}",) if unknown else ()
    return SessionList(tuple((name, tuple(shots)) for name, shots in sessions.items()), notices)


def read_step_records(path: Path) -> tuple[tuple[Stage, StepOutcome], ...]:
    """Outcomes of steps recorded in a herd, see ``step_records_csv``.

    Raises
    ------
    RowsError
        If the file or any row cannot be used; all bad rows are named with line and field.
    """
    table = read_table(path, known=RECORD_COLUMNS, needed=RECORD_COLUMNS[:3])
    problems = Problems(table.name)
    records = []
    for line, cells in table.rows:
        stage = stage_of(cells["step"])
        if stage not in STEPS:
            known = ", ".join(stage_name(step) for step in STEPS)
            problems.add(line, f"step: found {cells['step'][:40]!r}; expected one of {known}")
        before, after = (_share(name, cells[name], line, problems) for name in ("before", "after"))
        hair = cells.get("hair", "").lower()
        if hair not in ("", "yes", "no"):
            problems.add(line, f"hair: found {hair[:40]!r}; expected yes, no or nothing")
        if stage is not None:
            records.append((stage, StepOutcome(before, after, hair == "yes")))
    problems.raise_if_any()
    return tuple(records)


def step_outcomes(session: SessionResult) -> tuple[tuple[Stage, StepOutcome], ...]:
    """What the steps of a session did, from its first candidate before and after each.

    A photo that repeats another or could not be used is no outcome, nor is a stage taken twice.
    """
    outcomes, done = [], {session.photos[0].stage} if session.photos else set()
    chances = [
        moment.first[0].probability if moment.first else 0.0 for moment in session.after_each
    ]
    for index, photo in enumerate(session.photos[1:], start=1):
        usable = photo.duplicate_of < 0 and photo.result.sha256
        if usable and photo.stage in STEPS and photo.stage not in done:
            hair = Flag.HAIR in session.photos[index - 1].result.flags
            outcome = StepOutcome(chances[index - 1], chances[index], hair)
            outcomes.append((photo.stage, outcome))
        done.add(photo.stage)
    return tuple(outcomes)


def step_records_csv(records: Iterable[tuple[Stage, StepOutcome]]) -> str:
    """The file that :func:`read_step_records` reads."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(RECORD_COLUMNS)
    for stage, outcome in records:
        hair = "yes" if outcome.hair else "no"
        row = [stage_name(stage), f"{outcome.before:.6f}", f"{outcome.after:.6f}", hair]
        writer.writerow(row)
    return text.getvalue()


def shots_of(paths: Sequence[Path], ears: Sequence[str], stages: Sequence[Stage]) -> list[Shot]:
    """Photos with their ears and stages; one ear or stage holds for all.

    Raises
    ------
    ValueError
        If there are neither none, one, nor as many ears or stages as photos.
    """
    for what, given in (("ears", ears), ("stages", stages)):
        if len(given) not in (0, 1, len(paths)):
            raise ValueError(
                f"{len(given)} {what} for {len(paths)} photos; expected none, one or {len(paths)}"
            )
    all_ears = list(ears) if len(ears) == len(paths) else [*ears, ""][:1] * len(paths)
    all_stages = list(stages)
    if len(stages) != len(paths):
        all_stages = [*stages, Stage.AS_FOUND][:1] * len(paths)
    return [Shot(*one) for one in zip(paths, all_ears, all_stages, strict=True)]


def _file(manifest: Path, cell: str, line: int, problems: Problems) -> Path | None:
    shown = printable_name(cell[:200])
    if not cell:
        problems.add(line, "photo: is empty; expected the name of a file")
        return None
    try:
        named = Path(cell)
        file = named if named.is_absolute() else manifest.parent / named
        inside = Path(os.path.realpath(file)).is_relative_to(os.path.realpath(manifest.parent))
        there = file.is_file()
    except (OSError, ValueError):
        problems.add(line, f"photo: {shown} cannot be the name of a file")
        return None
    if not named.is_absolute() and not inside:
        problems.add(
            line,
            f"photo: {shown} lies outside the folder of the list; move it there, or name it by its "
            "absolute path",
        )
        return None
    if not there:
        problems.add(line, f"photo: there is no file {shown}; names are relative to the list")
        return None
    return file


def _ear_and_stage(ear: str, stage: str, line: int, problems: Problems) -> tuple[str, Stage]:
    side, known = "", stage_of(stage) if stage else Stage.AS_FOUND
    try:
        side = read_ear(ear)
        if side == "both":
            raise ValueError("found 'both'; a photo shows the left or the right one")
    except ValueError as error:
        problems.add(line, f"ear: {error}")
    if known is None:
        names = ", ".join(stage_name(one) for one in Stage)
        problems.add(line, f"stage: found {stage[:40]!r}; expected one of {names}")
    return side, known or Stage.AS_FOUND


def _share(name: str, text: str, line: int, problems: Problems) -> float:
    """A probability as written, also ``0,93``."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= 1.0:
        problems.add(line, f"{name}: found {text[:40]!r}; expected a probability 0 to 1")
        return 0.0
    return value
