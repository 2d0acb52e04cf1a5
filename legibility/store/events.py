"""The append-only record of who did what, each entry sealed by the hash of the one before.

The hash of an entry is the SHA-256 (FIPS 180-4) of its fields as canonical JSON: keys sorted, no
spaces, ASCII, together with the previous hash. Anyone who may write the file can compute a whole
new chain, so that it proves an order and completeness only against a head noted elsewhere.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any, Final

from legibility.errors import StoreError
from legibility.store.database import HerdDatabase, now_utc
from legibility.store.records import EventRow

GENESIS: Final = "0" * 64
"""What stands for the hash before the first entry."""
_SELECT: Final = "SELECT seq, at, who, what, inputs, outputs, previous_hash, hash FROM events"
GUARDS: Final = frozenset(
    {
        "events_are_never_changed",
        "events_are_never_deleted",
        "corrections_are_never_changed",
        "corrections_are_never_deleted",
    }
)
"""Triggers of migrations 2 and 5."""


def canonical(value: Mapping[str, Any]) -> str:
    """JSON text that is the same for the same content."""
    return json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False
    )


def event_hash(
    *, seq: int, at: str, who: str, what: str, inputs: str, outputs: str, previous_hash: str
) -> str:
    """Hex digest of one entry; ``inputs`` and ``outputs`` are the texts as stored."""
    text = canonical(
        {
            "seq": seq,
            "at": at,
            "who": who,
            "what": what,
            "inputs": inputs,
            "outputs": outputs,
            "previous_hash": previous_hash,
        }
    )
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def append_event(
    db: HerdDatabase,
    *,
    what: str,
    who: str = "",
    inputs: Mapping[str, Any] | None = None,
    outputs: Mapping[str, Any] | None = None,
    at: str = "",
) -> EventRow:
    """Add an entry in the transaction that is open, so that it stands or falls with the work."""
    last = last_event(db)
    seq, previous = (last.seq + 1, last.hash) if last else (1, GENESIS)
    at = at or now_utc()
    texts = canonical(inputs or {}), canonical(outputs or {})
    digest = event_hash(
        seq=seq,
        at=at,
        who=who,
        what=what,
        inputs=texts[0],
        outputs=texts[1],
        previous_hash=previous,
    )
    event = EventRow(seq, at, who, what, *texts, previous, digest)
    db.write(
        "INSERT INTO events (seq, at, who, what, inputs, outputs, previous_hash, hash) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (seq, at, who, what, *texts, previous, digest),
    )
    return event


def all_events(db: HerdDatabase) -> Iterator[EventRow]:
    """All entries, oldest first."""
    for row in db.rows(f"{_SELECT} ORDER BY seq"):
        yield EventRow(*row)


def last_event(db: HerdDatabase) -> EventRow | None:
    """The head of the chain, or None when it is empty."""
    row = db.first(f"{_SELECT} ORDER BY seq DESC LIMIT 1")
    return None if row is None else EventRow(*row)


def find_event(db: HerdDatabase, seq: int) -> EventRow:
    """One entry by its number.

    Raises
    ------
    StoreError
        If there is none.
    """
    row = db.first(f"{_SELECT} WHERE seq = ?", (seq,))
    if row is None:
        raise StoreError(f"the record has no entry {seq}")
    return EventRow(*row)


def recent_events(db: HerdDatabase, *, kinds: Collection[str], most: int) -> tuple[EventRow, ...]:
    """The newest entries of some kinds, newest first."""
    some = ", ".join("?" * len(kinds))
    sql = f"{_SELECT} WHERE what IN ({some}) ORDER BY seq DESC LIMIT ?"
    return tuple(EventRow(*row) for row in db.rows(sql, (*kinds, most)))


def event_hash_at(db: HerdDatabase, seq: int) -> str:
    """Hash of an entry; that before the first one for 0, nothing where there is no such entry."""
    if seq == 0:
        return GENESIS
    row = db.first("SELECT hash FROM events WHERE seq = ?", (seq,))
    return "" if row is None else str(row[0])


def chain_problem(events: Iterable[EventRow]) -> str:
    """The first entry that does not follow from the one before, or nothing."""
    previous = GENESIS
    for seq, event in enumerate(events, start=1):
        if event.seq != seq:
            return f"entry {seq} is missing or out of order (found entry {event.seq})"
        if event.previous_hash != previous:
            return f"entry {seq} does not follow entry {seq - 1}: its previous hash is another one"
        wanted = event_hash(
            seq=event.seq,
            at=event.at,
            who=event.who,
            what=event.what,
            inputs=event.inputs,
            outputs=event.outputs,
            previous_hash=event.previous_hash,
        )
        if event.hash != wanted:
            return f"entry {seq} was changed: its hash is not that of its content"
        previous = event.hash
    return ""


def guards_missing(db: HerdDatabase) -> tuple[str, ...]:
    """Triggers that keep entries from being changed or deleted and are not in the file."""
    there = {row[0] for row in db.rows("SELECT name FROM sqlite_master WHERE type = 'trigger'")}
    return tuple(sorted(GUARDS - there))
