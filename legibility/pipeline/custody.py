"""The record's entries of work done, and whether entries and photos are still what they were."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from legibility.evidence.custody import Anchor
from legibility.store.corrections import corrections_problems
from legibility.store.database import HerdDatabase, open_herd
from legibility.store.events import (
    GENESIS,
    all_events,
    append_event,
    chain_problem,
    guards_missing,
    last_event,
)
from legibility.store.photo_folder import FileState, file_state
from legibility.store.photos import all_photos
from legibility.store.records import EventRow, PhotoRow

INTAKE: Final = ("import photo", "read photo")
"""Entries that name the photo they took in."""
BATCHES: Final = "import readings"
"""Entries of many photos, which name the first and the last."""


@dataclass(frozen=True, slots=True)
class Verification:
    """What was recomputed, and what was found."""

    problems: tuple[str, ...]
    """Empty when all is as it was; the first one of the chain names the first broken entry."""
    notices: tuple[str, ...]
    entries: int
    photos: int
    head: Anchor
    anchored: int
    """Entries up to the noted head that agree with it; 0 without one."""


def verify_herd(
    herd: Path, *, anchor: Anchor | None = None, seen: Callable[[int], None] = lambda _: None
) -> Verification:
    """Recompute the chain of entries and the digest of every photo; nothing is changed.

    Parameters
    ----------
    anchor : Anchor, optional
        A head that was noted elsewhere.
    seen : callable
        Told after each photo, for a progress bar.

    Raises
    ------
    StoreError
        If the file cannot be opened as a herd's record.
    """
    with open_herd(herd, read_only=True) as db, db.snapshot():
        problems = [f"the file is damaged: {text}" for text in db.problems()]
        events = list(all_events(db))
        photos = list(all_photos(db))
        corrected = corrections_problems(db)
        missing = guards_missing(db)
        head = chain_head(db)
    broken = chain_problem(events)
    problems += [broken] if broken else []
    problems += corrected
    if missing:
        problems.append(f"what keeps entries from being changed was removed: {', '.join(missing)}")
    anchored = 0
    if anchor is not None:
        problem = anchor_problem(events, anchor, herd=head.herd)
        problems += [problem] if problem else []
        anchored = 0 if problem or broken else anchor.entries
    problems += _intake_problems(events, photos)
    notices: list[str] = []
    for photo in photos:
        _look_at(photo, herd, problems, notices)
        seen(1)
    if anchor is None:
        notices.append(
            "no head noted elsewhere was given (--anchor), so a new chain or dropped last entries "
            "would not be noticed"
        )
    return Verification(tuple(problems), tuple(notices), len(events), len(photos), head, anchored)


def chain_head(db: HerdDatabase) -> Anchor:
    """The head of the chain now, for noting elsewhere."""
    last = last_event(db)
    found = db.first("SELECT value FROM herd_info WHERE name = 'herd_uuid'")
    herd = str(found[0]) if found else ""
    return Anchor(last.seq, last.hash, last.at, herd) if last else Anchor(0, GENESIS, "", herd)


def anchor_problem(events: Sequence[EventRow], anchor: Anchor, *, herd: str = "") -> str:
    """Why a chain does not continue a noted head, or nothing."""
    if anchor.herd and herd and anchor.herd != herd:
        return "the noted head is of another record"
    if anchor.entries > len(events):
        return (
            f"the noted head is that of entry {anchor.entries}, but there are only {len(events)}: "
            f"entries from {len(events) + 1} on were dropped"
        )
    found = events[anchor.entries - 1].hash if anchor.entries else GENESIS
    if found != anchor.head:
        return (
            f"entry {anchor.entries} has not the noted hash: it or an entry before it was changed, "
            "and the chain computed anew"
        )
    return ""


def record_work(
    herd: Path,
    *,
    what: str,
    who: str,
    inputs: Mapping[str, Any],
    outputs: Mapping[str, Any],
) -> Anchor:
    """Enter finished work into a record's chain; gives its new head.

    Raises
    ------
    StoreError
        If the record cannot be opened or written.
    """
    with open_herd(herd) as db:
        with db.transaction():
            append_event(db, what=what, who=who, inputs=inputs, outputs=outputs)
        return chain_head(db)


def entries_naming(db: HerdDatabase, digests: Iterable[str]) -> tuple[EventRow, ...]:
    """Entries whose inputs or outputs name one of some digests, oldest first."""
    wanted = tuple(digests)
    return tuple(
        event
        for event in all_events(db)
        if any(digest in event.inputs or digest in event.outputs for digest in wanted)
    )


def _intake_problems(events: Sequence[EventRow], photos: Sequence[PhotoRow]) -> list[str]:
    """Photos without an entry, and entries without a photo."""
    named: dict[str, int] = {}
    for event in events:
        if event.what in INTAKE:
            named.setdefault(_photo_named(event), event.seq)
    held = {photo.sha256 for photo in photos}
    problems = [
        f"entry {seq} took in a photo (sha256 {digest}) that the record does not hold any more"
        for digest, seq in named.items()
        if digest and digest not in held
    ]
    if any(event.what == BATCHES for event in events):
        return problems
    return problems + [
        f"{photo.path} (sha256 {photo.sha256}): no entry says that it was taken in"
        for photo in photos
        if photo.sha256 not in named
    ]


def _photo_named(event: EventRow) -> str:
    try:
        return str(json.loads(event.inputs)["photo_sha256"])
    except (ValueError, KeyError, TypeError, RecursionError):
        return ""


def _look_at(photo: PhotoRow, herd: Path, problems: list[str], notices: list[str]) -> None:
    state, _ = file_state(photo, herd=herd)
    name = f"{photo.path} (sha256 {photo.sha256})"
    if state is FileState.CHANGED:
        problems.append(f"{name}: the photo was changed since intake: other bytes, same name")
    elif state is FileState.MISSING:
        problems.append(f"{name}: the photo is not there, so nothing can be said of it")
    elif state is FileState.ONLY_THE_COPY:
        if Path(photo.path).exists():
            problems.append(f"{name}: the photo was changed since intake; the copy was not")
        else:
            notices.append(f"{name}: only the copy is left; it is unchanged")
