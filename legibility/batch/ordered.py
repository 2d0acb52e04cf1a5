"""Results in input order from any executor, with a bounded look-ahead."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Executor
from functools import partial
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
from legibility.in_order import LOOK_AHEAD, in_order
from legibility.photo.load import printable_name

PhotoReader: TypeAlias = Callable[[Path], PhotoResult]
"""Anything that reads one photo; it must be picklable when the executor uses processes."""

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
    return in_order(
        executor,
        partial(read_safely, reader),
        paths,
        look_ahead=look_ahead,
        reopen=reopen,
        failed=photo_failed,
    )


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


def photo_failed(path: Path, error: Exception) -> PhotoResult:
    """What stands for a photo that gave no result, not even an error of its own.

    Raises
    ------
    LegibilityError
        If it is none of the photo's faults (:data:`NOT_THE_PHOTO`).
    """
    if isinstance(error, NOT_THE_PHOTO):
        raise error
    if isinstance(error, BrokenExecutor):
        return failed_result(path, f"{printable_name(path)}: {_LOST}")
    if isinstance(error, CancelledError):
        return failed_result(path, f"{printable_name(path)}: reading was cancelled")
    return failed_result(path, unexpected(path, error))


def unexpected(path: Path, error: BaseException) -> str:
    """One line for an error that this package did not foresee."""
    detail = " ".join(str(error).split())[:300]
    return (
        f"{printable_name(path)}: unexpected {type(error).__name__}: {detail}; please report this"
    )
