"""How often someone may ask: a bucket of permissions that fills at a steady rate."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Final

MOST_KEYS: Final = 10_000
"""Choice: buckets kept; a full one says nothing and is forgotten first."""


class RateLimit:
    """So many a minute for each key, at most ``burst`` at once."""

    def __init__(
        self,
        per_minute: float,
        *,
        burst: float | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._rate = per_minute / 60.0
        self._burst = max(1.0, per_minute / 2 if burst is None else burst)
        self._clock = clock
        self._lock = threading.Lock()
        self._left: dict[str, tuple[float, float]] = {}

    def wait_s(self, key: str, *, counts: bool = True) -> float:
        """0 when the request may pass (and is counted), else the seconds until it may."""
        now = self._clock()
        with self._lock:
            left, at = self._left.get(key, (self._burst, now))
            left = min(self._burst, left + (now - at) * self._rate)
            if left < 1.0:
                self._left[key] = (left, now)
                return (1.0 - left) / self._rate
            if key not in self._left and len(self._left) >= MOST_KEYS:
                self._left.clear()
            self._left[key] = (left - 1.0 if counts else left, now)
        return 0.0
