"""A program run in a world that never changes: its clock, its chance, its folder, its terminal."""

from __future__ import annotations

import hashlib
import os
import random
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from unittest.mock import patch

import time_machine

NOW = datetime(2026, 11, 2, 10, 0, tzinfo=UTC)
"""Choice: before these files were first made, so that no file on disk ever looks old."""
SURROUNDINGS = {
    "TZ": "UTC",
    "COLUMNS": "80",
    "TERM": "dumb",
    "NO_COLOR": "1",
    "OMP_THREAD_LIMIT": "1",
}


class Chance:
    """Bytes in place of ``os.urandom``: another draw, other bytes; the same in every run."""

    def __init__(self) -> None:
        self._drawn = 0

    def __call__(self, n: int) -> bytes:
        self._drawn += 1
        return hashlib.shake_256(f"golden {self._drawn}".encode()).digest(n)


@contextmanager
def frozen() -> Iterator[Path]:
    """An empty folder as the working directory, with clock and chance stopped.

    ``secrets``, ``uuid4`` and ``random.SystemRandom`` all draw from the two functions replaced, so
    it does not matter how a module of the package imports them. What takes time takes none, since
    seconds that are printed also decide where a line breaks.
    """
    before, chance = Path.cwd(), Chance()
    with (
        tempfile.TemporaryDirectory(prefix="golden-") as name,
        patch.dict(os.environ, SURROUNDINGS),
        patch("os.urandom", chance),
        patch("random._urandom", chance),
        patch("time.perf_counter", lambda: 0.0),
        time_machine.travel(NOW, tick=False),
    ):
        time.tzset()
        folder = Path(name).resolve()
        os.chdir(folder)
        state = random.getstate()
        try:
            yield folder
        finally:
            random.setstate(state)
            os.chdir(before)
    time.tzset()
