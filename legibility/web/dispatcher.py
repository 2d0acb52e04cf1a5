"""Reads photos in other processes, so that a large one never holds up the page."""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from typing import Final, TypeAlias, TypeVar

from legibility.errors import PhotoError
from legibility.photo.load import printable_name
from legibility.pipeline.chute import ChutePhoto, read_chute_photo
from legibility.web.journal import log
from legibility.web.measures import Measures
from legibility.workers import WorkerPool

T = TypeVar("T")
ReadPhoto: TypeAlias = Callable[[ChutePhoto], float]
NICENESS: Final = 5
"""Choice: a photo is taken in and checked before others are read, and read before the office."""


def reading_pool(jobs: int) -> WorkerPool:
    """Processes that read photos, networks loaded."""
    return WorkerPool(jobs, warm_up)


def warm_up() -> None:
    """Load what a reading needs, so that the first photo need not wait for it."""
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    import numpy as np

    from legibility.containers import Photo
    from legibility.pipeline.run import read_photo
    from legibility.settings import Settings
    from legibility.simulate import render, sample_scene

    # A mark, not an empty picture: only then is everything loaded that a reading needs.
    scene = sample_scene(np.random.default_rng(0), wear="mild", width_px=480)
    read_photo(Photo("", "", render(scene).pixels), settings=Settings())


class Dispatcher:
    """A bounded queue before a pool of processes.

    When a process ends, all photos of its pool are lost with it, and nobody says which was the
    cause. They are read again one at a time, in a pool of their own, so that the cause is known.
    """

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
        self._suspects: deque[tuple[str, ChutePhoto]] = deque()
        self._alone: Executor | None = None

    @property
    def waiting(self) -> int:
        """Photos that wait or are being read."""
        return len(self._waiting)

    @property
    def is_full(self) -> bool:
        """Whether no more photos should be taken in now."""
        return self.waiting >= self._most

    def submit(self, upload_id: str, photo: ChutePhoto) -> None:
        """Have a photo read; one that waits already is left alone."""
        with self._lock:
            if self._stopped or upload_id in self._waiting:
                return
            self._waiting[upload_id] = time.monotonic()
            future = self.call(self._read, photo)
            pool = self._pool
        future.add_done_callback(lambda done: self._done(done, pool, upload_id, photo))

    def call(self, function: Callable[..., T], *args: object) -> Future[T]:
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
            pools = [pool for pool in (self._pool, self._alone) if pool is not None]
        for pool in pools:
            pool.shutdown(wait=False, cancel_futures=True)

    def _done(self, done: Future[float], pool: Executor, upload_id: str, photo: ChutePhoto) -> None:
        if self._stopped or done.cancelled():
            return
        error = done.exception()
        if isinstance(error, BrokenProcessPool):
            with self._lock:
                if self._pool is pool:
                    self._pool = self._open_pool()
                self._suspects.append((upload_id, photo))
                if self._alone is None:
                    self._alone = self._open_pool()
                    self._next_suspect()
            return
        self._answered(error, done, upload_id, photo)

    def _next_suspect(self) -> None:
        """Read the next of the photos that one process was lost with, alone."""
        assert self._alone is not None
        if not self._suspects:
            self._alone.shutdown(wait=False)
            self._alone = None
            return
        upload_id, photo = self._suspects.popleft()
        future = self._alone.submit(self._read, photo)
        future.add_done_callback(lambda done: self._done_alone(done, upload_id, photo))

    def _done_alone(self, done: Future[float], upload_id: str, photo: ChutePhoto) -> None:
        if self._stopped or done.cancelled():
            return
        error = done.exception()
        if isinstance(error, BrokenProcessPool):
            self._end(upload_id, "crashed", "The photo ended the reader. Send another photo.")
        else:
            self._answered(error, done, upload_id, photo)
        with self._lock:
            if isinstance(error, BrokenProcessPool):
                self._alone = self._open_pool()
            self._next_suspect()

    def _answered(
        self,
        error: BaseException | None,
        done: Future[float],
        upload_id: str,
        photo: ChutePhoto,
    ) -> None:
        if isinstance(error, PhotoError):
            # The file's name means nothing to the person with the phone.
            reason = str(error).replace(f"{printable_name(photo.file)}: ", "")
            self._end(upload_id, "refused", reason)
        elif error is not None:
            # Of anything else the text may name files of this computer.
            log("reading failed", level=40, error=type(error).__name__)
            self._end(upload_id, "failed", "The photo could not be read. Send it again.")
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
