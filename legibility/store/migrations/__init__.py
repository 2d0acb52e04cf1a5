"""Every change of the schema, by number; a released one is never edited.

Each module holds ``STATEMENTS``, run one by one in one transaction. (``executescript`` commits
first, so that a failing script could not be rolled back.)
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from legibility.store.migrations import (
    m0001_herd,
    m0002_events,
    m0003_compact,
    m0004_marked_anew,
    m0005_corrections,
    m0006_lookups,
    m0007_written,
)

MIGRATIONS: Final[Mapping[int, tuple[str, ...]]] = {
    1: m0001_herd.STATEMENTS,
    2: m0002_events.STATEMENTS,
    3: m0003_compact.STATEMENTS,
    4: m0004_marked_anew.STATEMENTS,
    5: m0005_corrections.STATEMENTS,
    6: m0006_lookups.STATEMENTS,
    7: m0007_written.STATEMENTS,
}
"""Version reached -> statements that lead there from the version before."""

LATEST: Final = max(MIGRATIONS)
