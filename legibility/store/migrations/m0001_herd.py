"""Version 1: animals and marks, what was seen of them, and what was decided.

Text columns are never NULL (nothing is ``''``); figures that were not measured are NULL. So an
empty cell of an exported CSV file has one meaning in each column. Times are ISO 8601.
"""

from __future__ import annotations

from typing import Final

STATEMENTS: Final = (
    """
    CREATE TABLE herd_info (
        name TEXT NOT NULL PRIMARY KEY,
        value TEXT NOT NULL
    ) STRICT, WITHOUT ROWID
    """,
    """
    CREATE TABLE animals (
        id INTEGER PRIMARY KEY,
        animal_id TEXT NOT NULL UNIQUE CHECK (animal_id <> ''),
        birth_date TEXT NOT NULL DEFAULT '',
        birth_year INTEGER NOT NULL DEFAULT 0,
        sex TEXT NOT NULL DEFAULT '',
        status TEXT NOT NULL DEFAULT '',
        skin TEXT NOT NULL DEFAULT '',
        note TEXT NOT NULL DEFAULT ''
    ) STRICT
    """,
    """
    CREATE TABLE marks (
        id INTEGER PRIMARY KEY,
        animal INTEGER NOT NULL REFERENCES animals (id),
        ear TEXT NOT NULL DEFAULT '' CHECK (ear IN ('', 'left', 'right', 'both')),
        text TEXT NOT NULL CHECK (text <> ''),
        applied_on TEXT NOT NULL DEFAULT '',
        die_set TEXT NOT NULL DEFAULT '',
        ink TEXT NOT NULL DEFAULT '',
        operator TEXT NOT NULL DEFAULT '',
        retired_on TEXT NOT NULL DEFAULT '',
        UNIQUE (animal, ear, text)
    ) STRICT
    """,
    "CREATE INDEX marks_text ON marks (text)",
    """
    CREATE TABLE chips (
        id INTEGER PRIMARY KEY,
        animal INTEGER NOT NULL REFERENCES animals (id),
        number TEXT NOT NULL CHECK (number <> ''),
        since TEXT NOT NULL DEFAULT '',
        source TEXT NOT NULL DEFAULT '',
        UNIQUE (animal, number)
    ) STRICT
    """,
    "CREATE INDEX chips_number ON chips (number)",
    """
    CREATE TABLE handling_events (
        id INTEGER PRIMARY KEY,
        animal INTEGER REFERENCES animals (id),
        happened_at TEXT NOT NULL,
        kind TEXT NOT NULL CHECK (kind <> ''),
        who TEXT NOT NULL DEFAULT '',
        ear TEXT NOT NULL DEFAULT '',
        text TEXT NOT NULL DEFAULT '',
        seconds REAL,
        note TEXT NOT NULL DEFAULT ''
    ) STRICT
    """,
    """
    CREATE UNIQUE INDEX handling_events_once
    ON handling_events (ifnull(animal, 0), happened_at, kind, who, ear, text, note)
    """,
    """
    CREATE TABLE scans (
        id INTEGER PRIMARY KEY,
        number TEXT NOT NULL DEFAULT '',
        scanned_at TEXT NOT NULL DEFAULT '',
        outcome TEXT NOT NULL DEFAULT 'read' CHECK (outcome IN ('read', 'nothing', 'refused')),
        reader TEXT NOT NULL DEFAULT '',
        raw TEXT NOT NULL DEFAULT '',
        form TEXT NOT NULL DEFAULT '',
        animal INTEGER REFERENCES animals (id),
        event INTEGER REFERENCES handling_events (id),
        seconds REAL,
        note TEXT NOT NULL DEFAULT '',
        CHECK ((outcome = 'nothing') = (number = ''))
    ) STRICT
    """,
    """
    CREATE UNIQUE INDEX scans_once
    ON scans (number, scanned_at, reader, outcome, ifnull(animal, 0))
    """,
    "CREATE INDEX scans_time ON scans (scanned_at)",
    """
    CREATE TABLE photos (
        id INTEGER PRIMARY KEY,
        sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64),
        path TEXT NOT NULL,
        stored TEXT NOT NULL DEFAULT '',
        size_bytes INTEGER NOT NULL DEFAULT 0,
        stage TEXT NOT NULL DEFAULT '',
        taken_at TEXT NOT NULL DEFAULT '',
        ear TEXT NOT NULL DEFAULT '' CHECK (ear IN ('', 'left', 'right', 'both')),
        animal INTEGER REFERENCES animals (id),
        claimed_by TEXT NOT NULL DEFAULT '',
        scan INTEGER REFERENCES scans (id),
        event INTEGER REFERENCES handling_events (id),
        imported_at TEXT NOT NULL DEFAULT ''
    ) STRICT
    """,
    "CREATE INDEX photos_animal ON photos (animal, taken_at)",
    "CREATE INDEX photos_path ON photos (path)",
    """
    CREATE TABLE readings (
        id INTEGER PRIMARY KEY,
        photo INTEGER NOT NULL REFERENCES photos (id),
        read_at TEXT NOT NULL,
        status TEXT NOT NULL,
        text TEXT NOT NULL DEFAULT '',
        decision TEXT NOT NULL,
        misread_risk REAL,
        flags INTEGER NOT NULL DEFAULT 0,
        grade REAL,
        first_animal TEXT NOT NULL DEFAULT '',
        first_probability REAL,
        second_animal TEXT NOT NULL DEFAULT '',
        second_probability REAL,
        places INTEGER NOT NULL DEFAULT 0,
        needles_expected REAL,
        needles_inked REAL,
        ink_contrast REAL,
        seen_share REAL,
        version TEXT NOT NULL,
        model_sha256 TEXT NOT NULL,
        settings_sha256 TEXT NOT NULL,
        registry_sha256 TEXT NOT NULL DEFAULT '',
        seconds REAL,
        UNIQUE (photo, version, model_sha256, settings_sha256, registry_sha256)
    ) STRICT
    """,
    # Ten times the size of the rest of a reading, and not needed to look through all of them.
    """
    CREATE TABLE reading_details (
        reading INTEGER PRIMARY KEY REFERENCES readings (id),
        detail TEXT NOT NULL,
        posterior BLOB NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE human_readings (
        id INTEGER PRIMARY KEY,
        photo INTEGER REFERENCES photos (id),
        animal INTEGER REFERENCES animals (id),
        reader TEXT NOT NULL CHECK (reader <> ''),
        read_at TEXT NOT NULL,
        text TEXT NOT NULL DEFAULT '',
        ear TEXT NOT NULL DEFAULT '' CHECK (ear IN ('', 'left', 'right', 'both')),
        usable INTEGER CHECK (usable IN (0, 1)),
        blind INTEGER NOT NULL DEFAULT 0 CHECK (blind IN (0, 1)),
        grade REAL,
        seconds REAL,
        event INTEGER REFERENCES handling_events (id),
        note TEXT NOT NULL DEFAULT '',
        CHECK (photo IS NOT NULL OR animal IS NOT NULL)
    ) STRICT
    """,
    """
    CREATE UNIQUE INDEX human_readings_once
    ON human_readings (ifnull(photo, 0), ifnull(animal, 0), reader, read_at, ear, text, blind)
    """,
    """
    CREATE TABLE cases (
        id INTEGER PRIMARY KEY,
        case_key TEXT NOT NULL UNIQUE CHECK (case_key <> ''),
        kind TEXT NOT NULL,
        opened_at TEXT NOT NULL,
        summary TEXT NOT NULL,
        detail TEXT NOT NULL DEFAULT '{}',
        state TEXT NOT NULL DEFAULT 'open' CHECK (state IN ('open', 'closed'))
    ) STRICT
    """,
    """
    CREATE TABLE decisions (
        id INTEGER PRIMARY KEY,
        case_id INTEGER REFERENCES cases (id),
        photo INTEGER REFERENCES photos (id),
        animal INTEGER REFERENCES animals (id),
        decided_at TEXT NOT NULL,
        who TEXT NOT NULL CHECK (who <> ''),
        what TEXT NOT NULL CHECK (what <> ''),
        reason TEXT NOT NULL DEFAULT ''
    ) STRICT
    """,
    """
    CREATE UNIQUE INDEX decisions_once ON decisions
    (ifnull(case_id, 0), ifnull(photo, 0), ifnull(animal, 0), decided_at, who, what, reason)
    """,
    """
    CREATE TABLE imports (
        id INTEGER PRIMARY KEY,
        kind TEXT NOT NULL,
        source TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        imported_at TEXT NOT NULL,
        rows_seen INTEGER NOT NULL,
        rows_new INTEGER NOT NULL,
        version TEXT NOT NULL
    ) STRICT
    """,
    "CREATE INDEX imports_sha256 ON imports (sha256)",
)
