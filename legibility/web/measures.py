"""Counts and times of the server in the text format that collectors of metrics read.

https://prometheus.io/docs/instrumenting/exposition_formats/ (text format 0.0.4)
"""

from __future__ import annotations

import threading
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Mapping
from typing import Final

BUCKETS_S: Final = (0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0)

HELP: Final = {
    "requests_total": "Requests by kind and status",
    "uploads_total": "Photos received by outcome",
    "gave_way_total": "Connections closed because there was no room, by whose",
    "readings_total": "Photos read by outcome",
    "request_seconds": "Time to answer a request",
    "reading_seconds": "Time to read a photo",
    "waiting_seconds": "Time a photo waited before it was read",
}


class Measures:
    """Counters and histograms; no label ever holds a name, an address or an animal."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._counts: dict[tuple[str, tuple[tuple[str, str], ...]], float] = defaultdict(float)
        self._times: dict[str, list[int]] = {}
        self._sums: dict[str, float] = defaultdict(float)

    def count(self, name: str, **labels: str) -> None:
        """Count one."""
        with self._lock:
            self._counts[name, tuple(sorted(labels.items()))] += 1

    def took(self, name: str, seconds: float) -> None:
        """Note how long something took."""
        with self._lock:
            buckets = self._times.setdefault(name, [0] * (len(BUCKETS_S) + 1))
            buckets[bisect_left(BUCKETS_S, seconds)] += 1
            self._sums[name] += seconds

    def text(self, gauges: Mapping[str, float]) -> str:
        """Everything, a line each."""
        with self._lock:
            counts, times = dict(self._counts), {k: list(v) for k, v in self._times.items()}
            sums = dict(self._sums)
        lines: list[str] = []
        for name in sorted({key for key, _ in counts}):
            lines += _heading(name, "counter")
            for (key, labels), value in sorted(counts.items()):
                if key == name:
                    inside = ",".join(f'{label}="{text}"' for label, text in labels)
                    lines.append(f"legibility_{name}{{{inside}}} {value:g}")
        for name, buckets in sorted(times.items()):
            lines += _heading(name, "histogram")
            total = 0
            for limit, number in zip((*map(str, BUCKETS_S), "+Inf"), buckets, strict=True):
                total += number
                lines.append(f'legibility_{name}_bucket{{le="{limit}"}} {total}')
            lines += [f"legibility_{name}_sum {sums[name]:.6f}", f"legibility_{name}_count {total}"]
        for name, value in sorted(gauges.items()):
            lines += [f"# TYPE legibility_{name} gauge", f"legibility_{name} {value:g}"]
        return "\n".join(lines) + "\n"


def _heading(name: str, kind: str) -> list[str]:
    return [f"# HELP legibility_{name} {HELP[name]}", f"# TYPE legibility_{name} {kind}"]
