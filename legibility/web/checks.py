"""Says of each photo at once whether it is good enough, in processes that never read.

Twenty phones may send at once: a word on the photo that waited for readings would come too late to
take another one.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Executor
from concurrent.futures.process import BrokenProcessPool
from typing import Final

from legibility.pipeline.chute import ChutePhoto, check_chute_photo
from legibility.workers import WorkerPool

JOBS: Final = 1
"""Choice: one, since a check takes a small part of what a reading takes."""


def checking_pool() -> WorkerPool:
    """Processes that check photos, at the priority of the pages."""
    return WorkerPool(JOBS, _warm_up)


def _warm_up() -> None:
    import numpy as np

    from legibility.containers import Photo
    from legibility.photo.capture import check_capture
    from legibility.simulate import render, sample_scene

    scene = sample_scene(np.random.default_rng(0), wear="mild", width_px=480)
    check_capture(Photo("", "", render(scene).pixels))


class Checks:
    """Photos that wait to be checked."""

    def __init__(
        self,
        open_pool: Callable[[], Executor],
        *,
        check: Callable[[ChutePhoto], None] = check_chute_photo,
    ) -> None:
        self._open_pool = open_pool
        self._check = check
        self._lock = threading.Lock()
        self._pool = open_pool()

    def ask(self, photo: ChutePhoto) -> None:
        """Have a photo checked; one that cannot be used is answered when it is to be read."""
        with self._lock:
            try:
                self._pool.submit(self._check, photo)
            except BrokenProcessPool:
                self._pool = self._open_pool()
                self._pool.submit(self._check, photo)

    def close(self) -> None:
        """Stop."""
        self._pool.shutdown(wait=False, cancel_futures=True)
