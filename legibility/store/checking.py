"""Looks through a whole record for what is broken, and for what cannot be true."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from legibility.store.corrections import corrections_problems
from legibility.store.database import HerdDatabase, now_utc
from legibility.store.events import all_events, chain_problem
from legibility.store.photo_folder import FileState, file_state
from legibility.store.photos import all_photos


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a person should look at."""

    kind: str
    """``file``, ``chain``, ``clock``, ``dates`` or ``photo``."""
    text: str


def check_record(
    db: HerdDatabase, *, files: bool = False, seen: Callable[[int], None] = lambda _: None
) -> tuple[Finding, ...]:
    """Everything that is wrong with a record.

    Parameters
    ----------
    files : bool
        Also read every photo's file and compare its digest.
    seen : callable
        Told after each photo, for a progress bar.
    """
    found = [Finding("file", text) for text in db.problems()]
    problem = chain_problem(all_events(db))
    if problem:
        found.append(Finding("chain", problem))
    found += [Finding("chain", text) for text in corrections_problems(db)]
    found += _clock(db)
    found += _dates(db)
    if files:
        found += _files(db, seen)
    return tuple(found)


def _clock(db: HerdDatabase) -> Iterator[Finding]:
    before = ""
    for event in all_events(db):
        if event.at < before:
            yield Finding(
                "clock",
                f"entry {event.seq} is of {event.at}, the one before it of {before}: the clock "
                "went backwards",
            )
        before = event.at
    if before > now_utc():
        yield Finding("clock", f"the last entry is of {before}, which is still to come")


def _dates(db: HerdDatabase) -> Iterator[Finding]:
    """Days are compared as far as both are known: a birth of which only the year is, by year."""
    born = "CASE WHEN a.birth_date <> '' THEN a.birth_date ELSE a.birth_year END"
    for animal_id, text, on, birth in db.rows(
        f"""SELECT a.animal_id, m.text, m.applied_on, {born}
            FROM marks AS m JOIN animals AS a ON a.id = m.animal WHERE m.applied_on <> ''
            AND ((a.birth_date <> '' AND m.applied_on < a.birth_date)
                 OR (a.birth_year > 0 AND CAST(substr(m.applied_on, 1, 4) AS INTEGER)
                     < a.birth_year))"""
    ):
        yield Finding("dates", f"{animal_id} was born ({birth}) after {text} was applied ({on})")
    for animal_id, path, taken, birth in db.rows(
        f"""SELECT a.animal_id, p.path, p.taken_at, {born}
            FROM photos AS p JOIN animals AS a ON a.id = p.animal WHERE p.taken_at <> ''
            AND ((a.birth_date <> '' AND substr(p.taken_at, 1, 10) < a.birth_date)
                 OR (a.birth_year > 0 AND CAST(substr(p.taken_at, 1, 4) AS INTEGER)
                     < a.birth_year))"""
    ):
        yield Finding(
            "dates",
            f"{animal_id} was born ({birth}) after {path} was taken ({taken}): another animal, or "
            "a camera whose clock was not set",
        )
    # A local time may be up to 14 hours ahead of UTC.
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).isoformat()
    for name, at in db.rows(
        """SELECT 'photo ' || path, taken_at FROM photos WHERE taken_at > ?1
           UNION ALL SELECT 'scan of ' || number, scanned_at FROM scans_now WHERE scanned_at > ?1
           UNION ALL SELECT 'mark ' || m.text || ' of ' || a.animal_id, m.applied_on
           FROM marks AS m JOIN animals AS a ON a.id = m.animal WHERE m.applied_on > ?1
           UNION ALL SELECT 'the birth of ' || animal_id, birth_date FROM animals
           WHERE birth_date > ?1
           UNION ALL SELECT h.kind || ' ' || ifnull(a.animal_id, ''), h.happened_at
           FROM handling_events AS h LEFT JOIN animals AS a ON a.id = h.animal
           WHERE h.happened_at > ?1
           UNION ALL SELECT 'a reading by ' || reader, read_at FROM human_readings_now
           WHERE read_at > ?1""",
        (tomorrow,),
    ):
        yield Finding("clock", f"{name} is of {at}, which is still to come")


def _files(db: HerdDatabase, seen: Callable[[int], None]) -> Iterator[Finding]:
    for photo in all_photos(db):
        state, _ = file_state(photo, herd=Path(db.path))
        if state is not FileState.AS_IMPORTED:
            remedy = (
                ""
                if state is FileState.ONLY_THE_COPY
                else "; import the folder where it is now, and it is recognised by its digest"
            )
            yield Finding("photo", f"{photo.path} (sha256 {photo.sha256[:12]}...): {state}{remedy}")
        seen(1)
