"""Version 5: what was recorded can be corrected, and the correction itself is only ever added.

A correction names what it changes (a photo, a reading by eye, a scan or a case), what was there
before, and the entry of the chain that says who, when and why. Photos and cases hold what is true
now; readings by eye and scans are never changed: those that were taken back are missing from the
views ``human_readings_now`` and ``scans_now``, and one entered in their place is a row of its own.
"""

from __future__ import annotations

from typing import Final

_TOUCH: Final = """
    CREATE TRIGGER {name} AFTER {when} BEGIN
        DELETE FROM touched WHERE animal IN ({animal});
        INSERT INTO touched (animal) {animal};
    END
    """
_NOW: Final = """
    CREATE VIEW {table}_now AS SELECT * FROM {table} WHERE NOT EXISTS (
        SELECT 1 FROM corrections AS c WHERE c.{column} = {table}.id AND c.after = 'no'
        AND NOT EXISTS (SELECT 1 FROM corrections AS n WHERE n.{column} = c.{column}
                        AND n.id > c.id))
    """

STATEMENTS: Final = (
    """
    CREATE TABLE corrections (
        id INTEGER PRIMARY KEY,
        entry INTEGER NOT NULL REFERENCES events (seq),
        photo INTEGER REFERENCES photos (id),
        human_reading INTEGER REFERENCES human_readings (id),
        scan INTEGER REFERENCES scans (id),
        case_id INTEGER REFERENCES cases (id),
        field TEXT NOT NULL
            CHECK (field IN ('animal', 'ear', 'stage', 'scan', 'counts', 'state')),
        before TEXT NOT NULL,
        before_by TEXT NOT NULL DEFAULT '',
        after TEXT NOT NULL,
        after_by TEXT NOT NULL DEFAULT '',
        instead_reading INTEGER REFERENCES human_readings (id),
        instead_scan INTEGER REFERENCES scans (id),
        undoes INTEGER UNIQUE REFERENCES corrections (id),
        CHECK ((photo IS NOT NULL) + (human_reading IS NOT NULL) + (scan IS NOT NULL)
               + (case_id IS NOT NULL) = 1),
        CHECK ((photo IS NOT NULL) = (field IN ('animal', 'ear', 'stage', 'scan'))),
        CHECK ((case_id IS NOT NULL) = (field = 'state')),
        CHECK (field <> 'counts' OR after IN ('yes', 'no'))
    ) STRICT
    """,
    "CREATE INDEX corrections_entry ON corrections (entry)",
    "CREATE INDEX corrections_photo ON corrections (photo) WHERE photo IS NOT NULL",
    """
    CREATE INDEX corrections_reading ON corrections (human_reading)
    WHERE human_reading IS NOT NULL
    """,
    "CREATE INDEX corrections_scan ON corrections (scan) WHERE scan IS NOT NULL",
    "CREATE INDEX corrections_case ON corrections (case_id) WHERE case_id IS NOT NULL",
    """
    CREATE TRIGGER corrections_are_never_changed BEFORE UPDATE ON corrections
    BEGIN SELECT RAISE(ABORT, 'corrections are only ever added'); END
    """,
    """
    CREATE TRIGGER corrections_are_never_deleted BEFORE DELETE ON corrections
    BEGIN SELECT RAISE(ABORT, 'corrections are only ever added'); END
    """,
    _NOW.format(table="human_readings", column="human_reading"),
    _NOW.format(table="scans", column="scan"),
    _TOUCH.format(
        name="touched_by_correction",
        when="INSERT ON corrections WHEN NEW.human_reading IS NOT NULL",
        animal="SELECT animal FROM human_readings WHERE id = NEW.human_reading "
        "AND animal IS NOT NULL UNION SELECT p.animal FROM human_readings AS h "
        "JOIN photos AS p ON p.id = h.photo WHERE h.id = NEW.human_reading "
        "AND p.animal IS NOT NULL",
    ),
    _TOUCH.format(
        name="touched_by_stage",
        when="UPDATE OF stage ON photos",
        animal="SELECT NEW.animal WHERE NEW.animal IS NOT NULL",
    ),
)
