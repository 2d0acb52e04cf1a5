"""Results in input order from any executor, with a bounded look-ahead."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future
from pathlib import Path
from typing import Final, TypeAlias

from legibility import __version__
from legibility.containers import (
    Decision,
    Flag,
    Identification,
    PhotoResult,
    Provenance,
    Reading,
    Status,
)
from legibility.errors import (
    LegibilityError,
    ModelError,
    OutputError,
    RegistryError,
    SettingsError,
)
from legibility.photo.load import printable_name

PhotoReader: TypeAlias = Callable[[Path], PhotoResult]
"""Anything that reads one photo; it must be picklable when the executor uses processes."""

LOOK_AHEAD: Final = 16
"""Choice: photos handed to the executor at a time. Bounds the memory."""

NOT_THE_PHOTO: Final = (ModelError, OutputError, RegistryError, SettingsError)
"""Errors that would meet every photo: they end the run instead of being reported once a photo."""

_LOST: Final = (
    "the program that read this photo was killed, perhaps for want of memory; try it alone"
)


def run(
    paths: Iterable[Path],
    executor: Executor,
    *,
    reader: PhotoReader,
    reopen: Callable[[], Executor] | None = None,
    look_ahead: int = LOOK_AHEAD,
) -> Iterator[PhotoResult]:
    """Read photos on an executor and give their results in the order of ``paths``.

    Parameters
    ----------
    paths : iterable of Path
        Drawn only as far ahead as needed.
    executor : concurrent.futures.Executor
        A process pool, a Dask cluster's ``Client.get_executor()``, or an ``InlineExecutor``. The
        caller closes it.
    reader : callable
        Reads one photo. What it raises becomes a result with status "error", except the errors
        that are no fault of the photo (:data:`NOT_THE_PHOTO`): these are raised.
    reopen : callable, optional
        Makes a new executor after a worker was lost. The photos that were under way are then read
        one at a time, so that exactly the photo that kills its worker is reported. Without it,
        the photos that were under way and all later ones are reported as errors.
    look_ahead : int
        Most photos under way at a time, at least 1.

    Yields
    ------
    PhotoResult
        One for each path.

    Raises
    ------
    ValueError
        If ``look_ahead`` is below 1.
    """
    if look_ahead < 1:
        raise ValueError(f"look_ahead is {look_ahead}; expected 1 or more")
    queue = _Queue(executor, reader, reopen)
    try:
        for path in paths:
            queue.add(path)
            while len(queue.waiting) >= look_ahead or queue.has_suspects:
                yield queue.next_result()
        while queue.waiting:
            yield queue.next_result()
    finally:
        queue.close()


def failed_result(path: Path, reason: str) -> PhotoResult:
    """What stands in the output for a photo that could not be used."""
    return PhotoResult(
        photo=printable_name(path),
        sha256="",
        status=Status.ERROR,
        flags=Flag.NONE,
        reasons=(reason,),
        text="",
        reading=Reading((), 0.0),
        identification=Identification((), (), Decision.UNREADABLE, 1.0, ()),
        grade=None,
        provenance=Provenance(__version__, "", ""),
        seconds=0.0,
    )


class _Queue:
    """Photos under way, oldest first; a future of None marks a photo that may kill its worker."""

    def __init__(
        self,
        executor: Executor,
        reader: PhotoReader,
        reopen: Callable[[], Executor] | None,
    ) -> None:
        self.waiting: deque[tuple[Path, Future[PhotoResult] | None]] = deque()
        self.has_suspects = False
        self._executor = executor
        self._reader = reader
        self._reopen = reopen
        self._replacement: Executor | None = None

    def add(self, path: Path) -> None:
        self.waiting.append((path, self._submit(path)))

    def next_result(self) -> PhotoResult:
        path, future = self.waiting.popleft()
        result = None if future is None else self._outcome(path, future)
        if result is None and future is not None:
            self._replace_executor()
        if result is None:
            result = self._read_alone(path)
        self.has_suspects = any(future is None for _, future in self.waiting)
        return result

    def close(self) -> None:
        for _, future in self.waiting:
            if future is not None:
                future.cancel()
        if self._replacement is not None:
            self._replacement.shutdown(wait=True, cancel_futures=True)

    def _submit(self, path: Path) -> Future[PhotoResult] | None:
        try:
            return self._executor.submit(read_safely, self._reader, path)
        except BrokenExecutor:
            self.has_suspects = True
            return None

    def _outcome(self, path: Path, future: Future[PhotoResult]) -> PhotoResult | None:
        """Result of a photo, or None when its worker was lost."""
        try:
            return future.result()
        except BrokenExecutor:
            return None
        except CancelledError:
            return failed_result(path, f"{printable_name(path)}: reading was cancelled")
        except NOT_THE_PHOTO:
            raise
        except Exception as error:
            return failed_result(path, unexpected(path, error))

    def _read_alone(self, path: Path) -> PhotoResult:
        """Read one photo while nothing else runs, so that a lost worker is its doing."""
        lost = failed_result(path, f"{printable_name(path)}: {_LOST}")
        if self._reopen is None:
            return lost
        future = self._submit(path)
        if future is None:
            self._replace_executor()
            future = self._submit(path)
        result = None if future is None else self._outcome(path, future)
        if result is None:
            self._replace_executor()
        return result or lost

    def _replace_executor(self) -> None:
        """Go on with a new executor; photos that the old one did not finish become suspects."""
        self.waiting = deque(
            (path, future if future is not None and _finished(future) else None)
            for path, future in self.waiting
        )
        if self._reopen is None:
            return
        if self._replacement is not None:
            self._replacement.shutdown(wait=False, cancel_futures=True)
        self._replacement = self._executor = self._reopen()


def read_safely(reader: PhotoReader, path: Path) -> PhotoResult:
    """Read one photo; any error becomes a result. Runs in the worker."""
    try:
        return reader(path)
    except NOT_THE_PHOTO:
        raise
    except LegibilityError as error:
        return failed_result(path, str(error))
    except Exception as error:
        return failed_result(path, unexpected(path, error))


def unexpected(path: Path, error: BaseException) -> str:
    """One line for an error that this package did not foresee."""
    detail = " ".join(str(error).split())[:300]
    return (
        f"{printable_name(path)}: unexpected {type(error).__name__}: {detail}; please report this"
    )


def _finished(future: Future[PhotoResult]) -> bool:
    return future.done() and not future.cancelled() and future.exception() is None
