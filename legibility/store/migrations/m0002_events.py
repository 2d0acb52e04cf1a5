"""Version 2: an append-only record of who did what, each entry sealed by the hash of the last."""

from __future__ import annotations

from typing import Final

STATEMENTS: Final = (
    """
    CREATE TABLE events (
        seq INTEGER PRIMARY KEY,
        at TEXT NOT NULL,
        who TEXT NOT NULL,
        what TEXT NOT NULL CHECK (what <> ''),
        inputs TEXT NOT NULL,
        outputs TEXT NOT NULL,
        previous_hash TEXT NOT NULL CHECK (length(previous_hash) = 64),
        hash TEXT NOT NULL UNIQUE CHECK (length(hash) = 64)
    ) STRICT
    """,
    """
    CREATE TRIGGER events_are_never_changed BEFORE UPDATE ON events
    BEGIN SELECT RAISE(ABORT, 'events are only ever added'); END
    """,
    """
    CREATE TRIGGER events_are_never_deleted BEFORE DELETE ON events
    BEGIN SELECT RAISE(ABORT, 'events are only ever added'); END
    """,
)
