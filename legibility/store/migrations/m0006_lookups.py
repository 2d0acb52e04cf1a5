"""Version 6: what was entered for one photo or animal is found without looking through everything.

Cases open in the same transaction as a photo's reading, so that each photo asks for it.
"""

from __future__ import annotations

from typing import Final

STATEMENTS: Final = (
    "CREATE INDEX human_readings_photo ON human_readings (photo) WHERE photo IS NOT NULL",
    "CREATE INDEX human_readings_animal ON human_readings (animal) WHERE animal IS NOT NULL",
    "CREATE INDEX scans_animal ON scans (animal) WHERE animal IS NOT NULL",
)
