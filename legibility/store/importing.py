"""Whole imports: one transaction each, recognised when they come again, sealed by an event."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Final

from legibility.alphabet import same_mark
from legibility.containers import PhotoResult
from legibility.store.animals import find_animal, put_animal, put_chips
from legibility.store.database import HerdDatabase, now_utc
from legibility.store.decisions import open_case
from legibility.store.events import append_event, last_event
from legibility.store.marks import marks_of, put_mark
from legibility.store.pairs import name_by_chip, pair_by_time
from legibility.store.photos import photo_at, put_photo
from legibility.store.readings import add_readings
from legibility.store.records import AnimalRow, CaseRow, ChipRow, MarkRow, PhotoRow, ScanRow
from legibility.store.scans import add_scan

READINGS_AT_A_TIME: Final = 1000
"""Choice: a transaction then takes about a tenth of a second."""
_ROWS_A_STEP: Final = 500
"""Choice: how often a progress bar moves."""


@dataclass(frozen=True, slots=True)
class Source:
    """The file that an import came from."""

    name: str
    """Printable."""
    sha256: str
    who: str = ""
    version: str = ""


@dataclass(frozen=True, slots=True)
class RegistryRow:
    """One line of a registry."""

    animal: AnimalRow
    mark: MarkRow
    chip: str = ""
    """15 digits, or nothing."""


@dataclass(frozen=True, slots=True)
class ImportReport:
    """What became of the rows of one file."""

    kind: str
    source: str
    rows: int
    new: int = 0
    changed: int = 0
    same: int = 0
    cases: int = 0
    """Contradictions found that were not known before."""
    notices: tuple[str, ...] = ()


def import_registry(
    db: HerdDatabase,
    rows: Sequence[RegistryRow],
    *,
    source: Source,
    notices: tuple[str, ...] = (),
    seen: Callable[[int], None] = lambda _: None,
) -> ImportReport:
    """Take over a registry: all of it or, on any error, nothing.

    Parameters
    ----------
    notices : tuple of str
        What the reader of the file has to say; handed on.
    seen : callable
        Told after each so many rows how many they were, for a progress bar.
    """
    counts = {"new": 0, "changed": 0, "same": 0}
    cases = 0
    with db.transaction():
        for number, row in enumerate(rows, start=1):
            before = find_animal(db, row.animal.animal_id)
            state = put_animal(db, row.animal)
            known = () if state == "new" else marks_of(db, row.animal.animal_id)
            mark_state = put_mark(db, row.mark)
            if mark_state == "new" and known:
                cases += _report_other_mark(db, row.mark, known, source)
            elif known:
                cases += _report_other_day(db, row.mark, known, source)
            if before is not None and state == "changed":
                cases += _report_other_birth(db, row.animal, before, source)
            chip = ChipRow(row.animal.animal_id, row.chip, source=source.name)
            chip_new = put_chips(db, [chip]) if row.chip else 0
            if state == "same" and (mark_state != "same" or chip_new):
                state = "changed"
            counts[state] += 1
            if number % _ROWS_A_STEP == 0:
                seen(_ROWS_A_STEP)
        seen(len(rows) % _ROWS_A_STEP)
        name_by_chip(db)
        report = ImportReport(
            "registry",
            source.name,
            len(rows),
            cases=cases,
            notices=(*notices, *_known_before(db, source), *clock_notices(db)),
            **counts,
        )
        _seal(db, report, source)
    return report


def import_scans(
    db: HerdDatabase,
    scans: Sequence[ScanRow],
    *,
    source: Source,
    pair_within_s: float = 0.0,
    notices: tuple[str, ...] = (),
) -> ImportReport:
    """Take over the log of a transponder reader: all of it or nothing.

    Parameters
    ----------
    pair_within_s : float
        Connect photos to scans made within so many seconds; 0 = do not.
    """
    with db.transaction():
        new = sum(add_scan(db, scan)[1] for scan in scans)
        said = list(notices)
        if pair_within_s > 0:
            connected, undecided = pair_by_time(db, within_s=pair_within_s)
            said.append(f"{connected} photos connected to a scan within {pair_within_s:g} s")
            if undecided:
                said.append(
                    f"{undecided} photos left alone: two transponders were read near them in time"
                )
        name_by_chip(db)
        report = ImportReport(
            "scans",
            source.name,
            len(scans),
            new=new,
            same=len(scans) - new,
            notices=(*said, *_known_before(db, source), *clock_notices(db)),
        )
        _seal(db, report, source)
    return report


def import_photo(
    db: HerdDatabase,
    photo: PhotoRow,
    *,
    result: PhotoResult | None,
    registry_sha256: str = "",
    scan: ScanRow | None = None,
    who: str = "",
    then: Callable[[HerdDatabase], object] = lambda _: None,
) -> str:
    """Store one photo with its reading and the scan made with it; ``new``, ``changed``, ``same``.

    One transaction a photo: an interrupted import of a folder keeps every photo that was done.

    Parameters
    ----------
    then : callable
        What belongs to it, done at the end of the transaction.
    """
    with db.transaction():
        now = now_utc()
        earlier = photo_at(db, photo.path)
        scan_id = add_scan(db, scan)[0] if scan is not None else photo.scan_id
        state = put_photo(db, replace(photo, scan_id=scan_id, imported_at=now))
        name_by_chip(db, sha256=photo.sha256)
        read = 0
        if result is not None:
            read = add_readings(db, [result], read_at=now, registry_sha256=registry_sha256)
        if state == "same" and not read:
            return "same"
        replaced = earlier.sha256 if earlier and earlier.sha256 != photo.sha256 else ""
        append_event(
            db,
            what="read photo" if read else "import photo",
            who=who,
            inputs={"photo_sha256": photo.sha256, "path": photo.path, "before_at_path": replaced},
            outputs={
                "state": state,
                "text": result.text if result and read else "",
                "decision": result.identification.decision.value if result and read else "",
                "model_sha256": result.provenance.model_sha256 if result and read else "",
                "settings_sha256": result.provenance.settings_sha256 if result and read else "",
            },
            at=now,
        )
        then(db)
        return "new" if state == "new" else "changed"


def import_readings(
    db: HerdDatabase,
    items: Iterable[tuple[PhotoRow, PhotoResult]],
    *,
    registry_sha256: str = "",
    who: str = "",
    at_a_time: int = READINGS_AT_A_TIME,
) -> int:
    """Store many photos with their readings at once; gives how many readings are new.

    For results that are at hand, e.g. of :func:`legibility.read`: so many are one transaction and
    one entry of the chain of events.

    Raises
    ------
    StoreError
        If an animal is not in the record, or it cannot be written; whole batches before stay.
    """
    total = 0
    waiting = iter(items)
    while batch := list(islice(waiting, at_a_time)):
        with db.transaction():
            now = now_utc()
            for photo, _ in batch:
                put_photo(db, replace(photo, imported_at=now))
            new = add_readings(
                db, [result for _, result in batch], read_at=now, registry_sha256=registry_sha256
            )
            append_event(
                db,
                what="import readings",
                who=who,
                inputs={"first_photo": batch[0][0].sha256, "last_photo": batch[-1][0].sha256},
                outputs={"readings": len(batch), "new": new},
                at=now,
            )
        total += new
    return total


def clock_notices(db: HerdDatabase) -> tuple[str, ...]:
    """Whether the clock of this computer is behind the last entry of the record."""
    last, now = last_event(db), now_utc()
    if last is None or last.at <= now:
        return ()
    return (
        f"the clock of this computer went backwards: the last entry is of {last.at}, now it is "
        f"{now}; entries keep their order, but set the clock",
    )


def _known_before(db: HerdDatabase, source: Source) -> tuple[str, ...]:
    row = db.first(
        "SELECT source, imported_at FROM imports WHERE sha256 = ? ORDER BY id", (source.sha256,)
    )
    if row is None:
        return ()
    return (f"this very file was imported before, on {row[1]} as {row[0]}",)


def _seal(db: HerdDatabase, report: ImportReport, source: Source) -> None:
    now = now_utc()
    db.insert(
        "imports",
        {
            "kind": report.kind,
            "source": source.name,
            "sha256": source.sha256,
            "imported_at": now,
            "rows_seen": report.rows,
            "rows_new": report.new,
            "version": source.version,
        },
    )
    append_event(
        db,
        what=f"import {report.kind}",
        who=source.who,
        inputs={"source": source.name, "sha256": source.sha256},
        outputs={
            "rows": report.rows,
            "new": report.new,
            "changed": report.changed,
            "cases": report.cases,
        },
        at=now,
    )


def _report_other_mark(
    db: HerdDatabase, mark: MarkRow, known: Sequence[MarkRow], source: Source
) -> int:
    """A registry that names another mark than the record: a re-marking says when it was done."""
    same_ear = [m for m in known if not m.retired_on and (not mark.ear or m.ear in ("", mark.ear))]
    if not same_ear or (mark.applied_on and all(m.applied_on < mark.applied_on for m in same_ear)):
        return 0
    before = ", ".join(m.text for m in same_ear)
    return int(
        open_case(
            db,
            CaseRow(
                f"mark:{mark.animal_id}:{mark.ear}:{mark.text}",
                "another mark in the registry",
                f"{source.name} gives {mark.animal_id} the mark {mark.text}, the record has "
                f"{before}; both are kept. A re-marking has its day in the column applied_on.",
                {"animal": mark.animal_id, "before": before, "now": mark.text},
            ),
        )
    )


def _report_other_day(
    db: HerdDatabase, mark: MarkRow, known: Sequence[MarkRow], source: Source
) -> int:
    """A registry that names another day of application: a slip, or a mark applied anew."""
    same = [
        m
        for m in known
        if same_mark(m.text, mark.text) and (not mark.ear or m.ear in ("", mark.ear))
    ]
    days = {m.applied_on for m in same}
    if not mark.applied_on or days & {"", mark.applied_on} or not days:
        return 0
    before = ", ".join(sorted(days))
    return int(
        open_case(
            db,
            CaseRow(
                f"applied:{mark.animal_id}:{mark.ear}:{mark.text}:{mark.applied_on}",
                "another day of application in the registry",
                f"{source.name} says that {mark.text} of {mark.animal_id} was applied on "
                f"{mark.applied_on}, the record says {before}, which is kept. If the mark was "
                "applied anew, record it: legibility herd record re-marked.",
                {"animal": mark.animal_id, "before": before, "now": mark.applied_on},
            ),
        )
    )


def _report_other_birth(
    db: HerdDatabase, animal: AnimalRow, before: AnimalRow, source: Source
) -> int:
    """What does not change in an animal's life and did: a slip, or another animal of that name."""
    changed = {
        name: (getattr(before, name), getattr(animal, name))
        for name in ("birth_date", "birth_year", "sex")
        if getattr(before, name) and getattr(animal, name)
    }
    changed = {name: values for name, values in changed.items() if values[0] != values[1]}
    if "birth_date" in changed:
        changed.pop("birth_year", None)
    if not changed:
        return 0
    words = ", ".join(f"{name} {old} became {new}" for name, (old, new) in changed.items())
    news = ",".join(str(new) for _, new in changed.values())
    return int(
        open_case(
            db,
            CaseRow(
                f"birth:{animal.animal_id}:{news}",
                "another birth or sex in the registry",
                f"{source.name} changed what is known of {animal.animal_id}: {words}. A slip, or "
                "another animal of that name.",
                {"animal": animal.animal_id, "changed": changed},
            ),
        )
    )
