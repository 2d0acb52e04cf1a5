"""Who does the work: this process, a pool of processes, or a Dask cluster."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from legibility.batch.ordered import LOOK_AHEAD
from legibility.errors import LegibilityError, MissingExtraError

FEW_PHOTOS: Final = 4
"""Choice: so many photos are read before a pool of processes has started."""

LOOK_AHEAD_PER_WORKER: Final = 4
"""Choice: keeps every worker busy while the oldest photo is a slow one."""

SCHEDULER_TIMEOUT_S: Final = 10
"""Choice: how long a Dask scheduler may take to answer."""

S = TypeVar("S")
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Workers:
    """An executor together with what :func:`legibility.batch.run` needs to use it well."""

    executor: Executor
    reopen: Callable[[], Executor] | None
    look_ahead: int


class InlineExecutor(Executor):
    """Runs each task at once in the calling process; the right choice for a handful of photos."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run ``fn`` now and return its finished future."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


@contextmanager
def open_workers(*, n_photos: int, jobs: int = 0, scheduler: str = "") -> Iterator[Workers]:
    """Workers that fit the work, closed at the end.

    Parameters
    ----------
    n_photos : int
        How many photos there are; a few are read in this process.
    jobs : int
        Processes to use; 0 means one for each core this process may use.
    scheduler : str
        Address of a Dask scheduler such as ``tcp://10.0.0.5:8786``; empty for this machine.

    Raises
    ------
    MissingExtraError
        If a scheduler is given and Dask is not installed.
    LegibilityError
        If no scheduler answers at the address.
    """
    if scheduler:
        with _dask_workers(scheduler) as workers:
            yield workers
        return
    jobs = min(jobs or usable_cores(), max(n_photos, 1))
    if jobs == 1 or n_photos < FEW_PHOTOS:
        yield Workers(InlineExecutor(), None, 1)
        return

    def reopen() -> Executor:
        return ProcessPoolExecutor(
            jobs,
            # A fresh interpreter: forking a process that already runs OpenCV's threads can hang.
            mp_context=multiprocessing.get_context("spawn"),
            initializer=initialise_worker,
        )

    executor = reopen()
    try:
        yield Workers(executor, reopen, max(LOOK_AHEAD, LOOK_AHEAD_PER_WORKER * jobs))
    finally:
        executor.shutdown(wait=True, cancel_futures=True)


def in_order(
    executor: Executor, work: Callable[[S], T], items: Iterable[S], *, look_ahead: int
) -> Iterator[T]:
    """Work on items by an executor; results in the items' order, so many under way at most.

    Raises
    ------
    LegibilityError
        If a process of the executor was killed.
    """
    waiting: deque[Future[T]] = deque()
    try:
        for item in items:
            waiting.append(executor.submit(work, item))
            if len(waiting) >= look_ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    except BrokenExecutor as error:
        raise LegibilityError(
            "a process of this command was killed, perhaps for want of memory; use --jobs 1"
        ) from error


def initialise_worker() -> None:
    """One thread for each worker process, and the interrupt key left to the process that asks."""
    import cv2

    cv2.setNumThreads(1)
    os.environ.setdefault("OMP_THREAD_LIMIT", "1")
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A process whose parent was killed would wait for work forever, and hold its memory."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def limit_threads() -> None:
    """One thread for each task on a cluster's worker, which has its own handling of signals."""
    import cv2

    cv2.setNumThreads(1)


@contextmanager
def _dask_workers(scheduler: str) -> Iterator[Workers]:
    try:
        from distributed import Client
    except ImportError as error:
        raise MissingExtraError(
            "--scheduler needs Dask, which is not installed; "
            "install it with: pip install 'legibility[scale]'"
        ) from error
    try:
        client = Client(scheduler, timeout=SCHEDULER_TIMEOUT_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise LegibilityError(
            f"{scheduler}: no Dask scheduler answers at this address ({type(error).__name__}); "
            "expected something like tcp://10.0.0.5:8786"
        ) from error
    try:
        client.run(limit_threads)
        threads = sum(client.nthreads().values())
        with client.get_executor(pure=False) as executor:
            yield Workers(executor, None, max(LOOK_AHEAD, LOOK_AHEAD_PER_WORKER * threads))
    finally:
        client.close()


def usable_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
