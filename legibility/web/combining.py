"""What the photos of a visit say together: worked out for one visit by one process at a time."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from typing import Final

from legibility.pipeline.chute_session import ChuteVisit, combine_chute_visit
from legibility.web.journal import log

TRIES: Final = 5
"""Choice: how often a visit is combined again when processes end beside it."""


class Combining:
    """Keeps two processes from writing the same visit, so that an older result never wins."""

    def __init__(self, call: Callable[..., Future[int]]) -> None:
        self._call = call
        self._lock = threading.RLock()
        self._asked: dict[str, ChuteVisit | None] = {}
        """Visits being worked on, each with what was asked for meanwhile."""
        self._stopped = False

    def close(self) -> None:
        """Stop; what was not combined is found again at the next start."""
        self._stopped = True

    def ask(self, visit_id: str, visit: ChuteVisit) -> None:
        """Have a visit combined; asked again meanwhile, it is done again afterwards."""
        with self._lock:
            if visit_id in self._asked:
                self._asked[visit_id] = visit
                return
            self._asked[visit_id] = None
        self._start(visit_id, visit)

    def _start(self, visit_id: str, visit: ChuteVisit, tries: int = TRIES) -> None:
        future = self._call(combine_chute_visit, visit)
        future.add_done_callback(lambda done: self._done(visit_id, visit, done, tries))

    def _done(self, visit_id: str, visit: ChuteVisit, done: Future[int], tries: int) -> None:
        if self._stopped or done.cancelled():
            return
        error = done.exception()
        if isinstance(error, BrokenProcessPool) and tries > 1:
            # A photo ended the process; this was only beside it.
            self._start(visit_id, visit, tries - 1)
            return
        if error is not None:
            log("combining failed", level=40, error=type(error).__name__)
        with self._lock:
            again = self._asked.pop(visit_id)
            if again is None:
                return
            self._asked[visit_id] = None
        self._start(visit_id, again)
