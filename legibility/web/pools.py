"""Pools of processes that end with the server, even when it is killed."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import threading
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing.connection import Connection


class HeldPool(ProcessPoolExecutor):
    """Fresh interpreters, each prepared by a function.

    Forking a process that already runs threads can hang, so they are spawned.

    Parameters
    ----------
    jobs : int
        Processes.
    prepare : callable
        What each does first; a function of a module, because it is pickled.
    """

    def __init__(self, jobs: int, prepare: Callable[[], None]) -> None:
        context = multiprocessing.get_context("spawn")
        heard, self._held = context.Pipe(duplex=False)
        super().__init__(jobs, mp_context=context, initializer=_begin, initargs=(heard, prepare))
        for _ in range(jobs):
            # Processes start when something waits for them, not before.
            self.submit(os.getpid)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the processes; with ``cancel_futures`` also in the middle of their work."""
        if cancel_futures:
            self._held.close()
        super().shutdown(wait=wait, cancel_futures=cancel_futures)


def _begin(heard: Connection, prepare: Callable[[], None]) -> None:
    """Listen to the server, then prepare.

    ``heard`` ends when the server closes its other end, or was killed: then this process ends, too.
    """
    threading.Thread(target=_end_with, args=(heard,), daemon=True).start()
    prepare()


def _end_with(heard: Connection) -> None:
    with contextlib.suppress(EOFError, OSError):
        heard.recv_bytes()
    os._exit(1)
