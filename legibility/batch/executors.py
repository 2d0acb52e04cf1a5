"""Who does the work: this process, a pool of processes, or a Dask cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Final

from legibility.errors import LegibilityError, MissingExtraError
from legibility.in_order import LOOK_AHEAD, LOOK_AHEAD_PER_WORKER
from legibility.workers import InlineExecutor, WorkerPool, usable_cores

FEW_PHOTOS: Final = 4
"""Choice: so many photos are read before a pool of processes has started."""

SCHEDULER_TIMEOUT_S: Final = 10
"""Choice: how long a Dask scheduler may take to answer."""


@dataclass(frozen=True, slots=True)
class Workers:
    """An executor together with what :func:`legibility.batch.run` needs to use it well."""

    executor: Executor
    reopen: Callable[[], Executor] | None
    look_ahead: int


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
    with WorkerPool(jobs) as pool:
        look_ahead = max(LOOK_AHEAD, LOOK_AHEAD_PER_WORKER * jobs)
        yield Workers(pool, partial(WorkerPool, jobs), look_ahead)


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
