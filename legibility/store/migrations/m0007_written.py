"""Version 7: a mark also keeps how its list wrote it; what was identified is found by animal.

A list may write ``HD-782`` or ``hd 782`` for the mark HD782. In which rows it stands in the ear is
no column: the readings say it (``store.layouts_seen``).
"""

from __future__ import annotations

from typing import Final

STATEMENTS: Final = (
    "ALTER TABLE marks ADD COLUMN written TEXT NOT NULL DEFAULT ''",
    "CREATE INDEX readings_identified ON readings (first_animal) WHERE decision = 'identified'",
)
