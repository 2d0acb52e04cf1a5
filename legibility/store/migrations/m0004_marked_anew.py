"""Version 4: the same mark may be applied anew in the same ear, as a mark with its own history.

Before, a mark pressed again over its own faded characters could not be told from the faded one, so
that an animal stayed lost after it had been marked anew.
"""

from __future__ import annotations

from typing import Final

_TOUCH: Final = """
    CREATE TRIGGER {name} AFTER {when} BEGIN
        DELETE FROM touched WHERE animal IN ({animal});
        INSERT INTO touched (animal) {animal};
    END
    """

STATEMENTS: Final = (
    """
    CREATE TABLE marks_anew (
        id INTEGER PRIMARY KEY,
        animal INTEGER NOT NULL REFERENCES animals (id),
        ear TEXT NOT NULL DEFAULT '' CHECK (ear IN ('', 'left', 'right', 'both')),
        text TEXT NOT NULL CHECK (text <> ''),
        applied_on TEXT NOT NULL DEFAULT '',
        die_set TEXT NOT NULL DEFAULT '',
        ink TEXT NOT NULL DEFAULT '',
        operator TEXT NOT NULL DEFAULT '',
        retired_on TEXT NOT NULL DEFAULT '',
        UNIQUE (animal, ear, text, applied_on)
    ) STRICT
    """,
    """
    INSERT INTO marks_anew
    SELECT id, animal, ear, text, applied_on, die_set, ink, operator, retired_on FROM marks
    ORDER BY id
    """,
    "DROP TABLE marks",
    "ALTER TABLE marks_anew RENAME TO marks",
    "CREATE INDEX marks_text ON marks (text)",
    _TOUCH.format(name="touched_by_mark", when="INSERT ON marks", animal="SELECT NEW.animal"),
    _TOUCH.format(
        name="touched_by_mark_changed",
        when="UPDATE ON marks",
        animal="SELECT NEW.animal UNION SELECT OLD.animal",
    ),
)
