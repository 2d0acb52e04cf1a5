"""Version 3: readings take less room, and it is kept which animals changed since when.

How a reading was made (version, models, settings, calibration, registry) is a row of its own that
many readings share. Detail and posterior are one compressed block, see ``store.packing``; the
function ``packed_reading`` is lent to SQLite while a file is brought up to date.

``touched`` names each animal once, with a number that grows: whatever is worked out for every
animal needs to be done anew only for those whose number is above the one it was done at.
"""

from __future__ import annotations

from typing import Final

_TOUCH: Final = """
    CREATE TRIGGER {name} AFTER {when} BEGIN
        DELETE FROM touched WHERE animal IN ({animal});
        INSERT INTO touched (animal) {animal};
    END
    """
_TRIGGERS: Final = (
    ("touched_by_animal", "INSERT ON animals", "SELECT NEW.id"),
    ("touched_by_animal_changed", "UPDATE ON animals", "SELECT NEW.id"),
    ("touched_by_mark", "INSERT ON marks", "SELECT NEW.animal"),
    ("touched_by_mark_changed", "UPDATE ON marks", "SELECT NEW.animal UNION SELECT OLD.animal"),
    ("touched_by_chip", "INSERT ON chips", "SELECT NEW.animal"),
    (
        "touched_by_photo_changed",
        "UPDATE OF animal, ear, taken_at ON photos",
        "SELECT NEW.animal WHERE NEW.animal IS NOT NULL UNION "
        "SELECT OLD.animal WHERE OLD.animal IS NOT NULL",
    ),
    (
        "touched_by_reading",
        "INSERT ON readings",
        "SELECT animal FROM photos WHERE id = NEW.photo AND animal IS NOT NULL",
    ),
    (
        "touched_by_person",
        "INSERT ON human_readings",
        "SELECT NEW.animal WHERE NEW.animal IS NOT NULL UNION "
        "SELECT animal FROM photos WHERE id = NEW.photo AND animal IS NOT NULL",
    ),
    (
        "touched_by_handling",
        "INSERT ON handling_events",
        "SELECT NEW.animal WHERE NEW.animal IS NOT NULL",
    ),
)

STATEMENTS: Final = (
    """
    CREATE TABLE methods (
        id INTEGER PRIMARY KEY,
        version TEXT NOT NULL,
        model_sha256 TEXT NOT NULL,
        settings_sha256 TEXT NOT NULL,
        calibration_sha256 TEXT NOT NULL DEFAULT '',
        registry_sha256 TEXT NOT NULL DEFAULT '',
        UNIQUE (version, model_sha256, settings_sha256, calibration_sha256, registry_sha256)
    ) STRICT
    """,
    """
    INSERT INTO methods (version, model_sha256, settings_sha256, registry_sha256)
    SELECT version, model_sha256, settings_sha256, registry_sha256 FROM readings
    GROUP BY 1, 2, 3, 4 ORDER BY min(id)
    """,
    "ALTER TABLE readings RENAME TO readings_before",
    """
    CREATE TABLE readings (
        id INTEGER PRIMARY KEY,
        photo INTEGER NOT NULL REFERENCES photos (id),
        method INTEGER NOT NULL REFERENCES methods (id),
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
        seconds REAL,
        UNIQUE (photo, method)
    ) STRICT
    """,
    """
    INSERT INTO readings
    SELECT r.id, r.photo, m.id, r.read_at, r.status, r.text, r.decision, r.misread_risk, r.flags,
           r.grade, r.first_animal, r.first_probability, r.second_animal, r.second_probability,
           r.places, r.needles_expected, r.needles_inked, r.ink_contrast, r.seen_share, r.seconds
    FROM readings_before AS r JOIN methods AS m USING (
        version, model_sha256, settings_sha256, registry_sha256)
    ORDER BY r.id
    """,
    # Five times the size of the rest of a reading, and not needed to look through all of them.
    """
    CREATE TABLE reading_contents (
        reading INTEGER PRIMARY KEY REFERENCES readings (id),
        content BLOB NOT NULL
    ) STRICT
    """,
    """
    INSERT INTO reading_contents
    SELECT reading, packed_reading(detail, posterior) FROM reading_details ORDER BY reading
    """,
    "DROP TABLE reading_details",
    "DROP TABLE readings_before",
    """
    CREATE TABLE touched (
        seq INTEGER PRIMARY KEY AUTOINCREMENT,
        animal INTEGER NOT NULL UNIQUE
    ) STRICT
    """,
    "INSERT INTO touched (animal) SELECT id FROM animals ORDER BY id",
    *(_TOUCH.format(name=name, when=when, animal=animal) for name, when, animal in _TRIGGERS),
)
