"""Reads photos in other processes, so that a large one never holds up the page."""

from __future__ import annotations

import multiprocessing
import os
import threading
import time
from collections.abc import Callable
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Final, TypeAlias

from legibility.batch.executors import initialise_worker
from legibility.errors import LegibilityError
from legibility.pipeline.chute import ChutePhoto, read_chute_photo
from legibility.web.journal import log
from legibility.web.measures import Measures

TRIES: Final = 2
"""Choice: a photo that ends its process twice is not tried again."""

ReadPhoto: TypeAlias = Callable[[ChutePhoto], float]


def warm_up() -> int:
    """Load the networks, so that the first photo need not wait for them."""
    initialise_worker()
    import numpy as np

    from legibility.containers import Photo
    from legibility.pipeline.run import read_photo
    from legibility.settings import Settings

    grey = np.full((120, 160, 3), 128, dtype=np.uint8)
    read_photo(Photo("", "", grey), settings=Settings(second_reader=False))
    return os.getpid()


def process_pool(jobs: int) -> ProcessPoolExecutor:
    """Fresh interpreters, networks loaded.

    Forking a process that already runs threads can hang, so they are spawned.
    """
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(jobs, mp_context=context, initializer=warm_up)
    pool.submit(os.getpid)
    return pool


class Dispatcher:
    """A bounded queue before a pool of processes."""

    def __init__(
        self,
        open_pool: Callable[[], Executor],
        *,
        most: int,
        measures: Measures,
        failed: Callable[[str, str], None],
        ended: Callable[[str], None] = lambda _: None,
        read: ReadPhoto = read_chute_photo,
    ) -> None:
        self._open_pool = open_pool
        self._most = most
        self._measures = measures
        self._failed = failed
        self._ended = ended
        self._read = read
        self._lock = threading.RLock()
        self._waiting: dict[str, float] = {}
        self._stopped = False
        self._pool = open_pool()

    @property
    def waiting(self) -> int:
        """Photos that wait or are being read."""
        return len(self._waiting)

    @property
    def is_full(self) -> bool:
        """Whether no more photos should be taken in now."""
        return self.waiting >= self._most

    def is_waiting(self, upload_id: str) -> bool:
        """Whether a photo waits or is being read."""
        return upload_id in self._waiting

    def submit(self, upload_id: str, photo: ChutePhoto, *, tries: int = TRIES) -> None:
        """Have a photo read; one that waits already is left alone."""
        with self._lock:
            if self._stopped or (upload_id in self._waiting and tries == TRIES):
                return
            self._waiting.setdefault(upload_id, time.monotonic())
            try:
                future = self._pool.submit(self._read, photo)
            except BrokenProcessPool:
                self._pool = self._open_pool()
                future = self._pool.submit(self._read, photo)
            pool = self._pool
        future.add_done_callback(lambda done: self._done(done, pool, upload_id, photo, tries))

    def call(self, function: Callable[..., object], *args: object) -> Future[object]:
        """Have something else done in the pool."""
        with self._lock:
            try:
                return self._pool.submit(function, *args)
            except BrokenProcessPool:
                self._pool = self._open_pool()
                return self._pool.submit(function, *args)

    def close(self) -> None:
        """Stop; what was not read is found again at the next start."""
        with self._lock:
            self._stopped = True
            pool = self._pool
        pool.shutdown(wait=False, cancel_futures=True)

    def _done(
        self, done: Future[float], pool: Executor, upload_id: str, photo: ChutePhoto, tries: int
    ) -> None:
        if self._stopped or done.cancelled():
            return
        error = done.exception()
        if isinstance(error, BrokenProcessPool):
            with self._lock:
                if self._pool is pool:
                    self._pool = self._open_pool()
            self._measures.count("readings_total", outcome="crashed")
            if tries > 1:
                self.submit(upload_id, photo, tries=tries - 1)
                return
            self._end(upload_id, "crashed", "The photo ended the reader. Send another photo.")
        elif isinstance(error, LegibilityError):
            # The file's name means nothing to the person with the phone.
            reason = str(error).replace(f"{photo.file}: ", "")
            self._end(upload_id, "refused", reason)
        elif error is not None:
            log("reading failed", level=40, error=type(error).__name__)
            self._end(upload_id, "failed", "The photo could not be read. Send another photo.")
        else:
            self._end(upload_id, "read", "")
            self._measures.took("reading_seconds", done.result())

    def _end(self, upload_id: str, outcome: str, reason: str) -> None:
        self._measures.count("readings_total", outcome=outcome)
        if reason:
            self._failed(upload_id, reason)
        since = self._waiting.pop(upload_id, None)
        if since is not None:
            self._measures.took("waiting_seconds", time.monotonic() - since)
        self._ended(upload_id)
