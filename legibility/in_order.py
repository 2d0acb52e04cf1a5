"""Work on many items by any executor: results in input order, no more under way than asked for."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from functools import partial
from typing import Any, Final, Generic, NoReturn, TypeVar

from legibility.errors import LegibilityError
from legibility.workers import WorkerPool

LOOK_AHEAD: Final = 16
"""Choice: items handed to an executor at a time. Bounds the memory."""
LOOK_AHEAD_PER_WORKER: Final = 4
"""Choice: keeps every worker busy while the oldest item is a slow one."""

S = TypeVar("S")
T = TypeVar("T")


def in_order(
    executor: Executor,
    work: Callable[[S], T],
    items: Iterable[S],
    *,
    look_ahead: int = LOOK_AHEAD,
    reopen: Callable[[], Executor] | None = None,
    failed: Callable[[S, Exception], T] | None = None,
) -> Iterator[T]:
    """Work on items by an executor; results in the items' order, so many under way at most.

    Parameters
    ----------
    executor : Executor
        The caller closes it.
    work : callable
    items : iterable
        Drawn only as far ahead as needed.
    look_ahead : int
        At least 1.
    reopen : callable, optional
        Makes a new executor after a worker was lost. What was under way is then done one at a
        time, so that exactly the item that ends its worker is known.
    failed : callable, optional
        What stands in the place of a result: of an item and its error, which is a
        ``BrokenExecutor`` where the item ended its worker, or could not be done again. It may
        raise. Without it every error is raised.

    Raises
    ------
    ValueError
        If ``look_ahead`` is below 1.
    LegibilityError
        If a process of the executor was killed and ``failed`` was not given.
    """
    if look_ahead < 1:
        raise ValueError(f"look_ahead is {look_ahead}; expected 1 or more")
    queue = _Queue(executor, work, reopen if failed else None, failed or _raised)
    try:
        for item in items:
            queue.add(item)
            while len(queue.waiting) >= look_ahead or queue.has_suspects:
                yield queue.next_result()
        while queue.waiting:
            yield queue.next_result()
    finally:
        queue.close()


def mapped(work: Callable[[S], T], items: Sequence[S], *, jobs: int, chunk: int = 1) -> Iterator[T]:
    """Results in the items' order from ``jobs`` processes; one job works in this process.

    Parameters
    ----------
    work : callable
        Pickled with every ``chunk`` of items.
    items : sequence
    jobs : int
    chunk : int
        Items handed to a process at a time; more where each takes little time.

    Raises
    ------
    LegibilityError
        If a process was killed.
    """
    if jobs < 2 or len(items) < 2:
        yield from map(work, items)
        return
    parts = [items[start : start + chunk] for start in range(0, len(items), chunk)]
    with WorkerPool(min(jobs, len(parts))) as pool:
        ahead = LOOK_AHEAD_PER_WORKER * jobs
        for part in in_order(pool, partial(_each, work), parts, look_ahead=ahead):
            yield from part


def told(
    results: Iterable[T], of: int, what: str, *, every: int, say: Callable[[str], None]
) -> Iterator[T]:
    """Results as they come; says after every so many, and at the end, how far it is."""
    started = time.perf_counter()
    for done, result in enumerate(results, start=1):
        if done % every == 0 or done == of:
            took = (time.perf_counter() - started) / 60.0
            left = took / done * (of - done)
            say(f"{done} of {of} {what}, {took:.1f} min, about {left:.1f} min left")
        yield result


def _each(work: Callable[[S], T], items: Sequence[S]) -> list[T]:
    return [work(item) for item in items]


def _raised(_: object, error: Exception) -> NoReturn:
    if isinstance(error, BrokenExecutor):
        raise LegibilityError(
            "a process of this command was killed, perhaps for want of memory; use --jobs 1"
        ) from error
    raise error


class _Queue(Generic[S, T]):
    """Items under way, oldest first; a future of None marks one that may end its worker."""

    def __init__(
        self,
        executor: Executor,
        work: Callable[[S], T],
        reopen: Callable[[], Executor] | None,
        failed: Callable[[S, Exception], T],
    ) -> None:
        self.waiting: deque[tuple[S, Future[T] | None]] = deque()
        self.has_suspects = False
        self._executor = executor
        self._work = work
        self._reopen = reopen
        self._failed = failed
        self._replacement: Executor | None = None

    def add(self, item: S) -> None:
        self.waiting.append((item, self._submit(item)))

    def next_result(self) -> T:
        item, future = self.waiting.popleft()
        outcome = None if future is None else self._outcome(item, future)
        if outcome is None and future is not None:
            self._replace_executor()
        result = self._alone(item) if outcome is None else outcome[0]
        self.has_suspects = any(future is None for _, future in self.waiting)
        return result

    def close(self) -> None:
        for _, future in self.waiting:
            if future is not None:
                future.cancel()
        if self._replacement is not None:
            self._replacement.shutdown(wait=True, cancel_futures=True)

    def _submit(self, item: S) -> Future[T] | None:
        try:
            return self._executor.submit(self._work, item)
        except BrokenExecutor:
            self.has_suspects = True
            return None

    def _outcome(self, item: S, future: Future[T]) -> tuple[T] | None:
        """Result of an item, or None when its worker was lost."""
        try:
            return (future.result(),)
        except BrokenExecutor:
            return None
        except Exception as error:
            return (self._failed(item, error),)

    def _alone(self, item: S) -> T:
        """Do one item while nothing else runs, so that a lost worker is its doing."""
        outcome = None
        if self._reopen is not None:
            future = self._submit(item)
            if future is None:
                self._replace_executor()
                future = self._submit(item)
            outcome = None if future is None else self._outcome(item, future)
            if outcome is None:
                self._replace_executor()
        if outcome is not None:
            return outcome[0]
        return self._failed(item, BrokenExecutor("the process that did it ended"))

    def _replace_executor(self) -> None:
        """Go on with a new executor; what the old one did not finish becomes suspect."""
        self.waiting = deque(
            (item, future if future is not None and _finished(future) else None)
            for item, future in self.waiting
        )
        if self._reopen is None:
            return
        if self._replacement is not None:
            self._replacement.shutdown(wait=False, cancel_futures=True)
        self._replacement = self._executor = self._reopen()


def _finished(future: Future[Any]) -> bool:
    return future.done() and not future.cancelled() and future.exception() is None
