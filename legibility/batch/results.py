"""From files and folders to a stream of results, in one call."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Set
from contextlib import contextmanager
from dataclasses import dataclass, replace

from legibility.batch.executors import open_workers
from legibility.batch.finding import photos_in
from legibility.batch.ordered import PhotoReader, run
from legibility.containers import PhotoResult
from legibility.photo.load import printable_name


@dataclass(frozen=True, slots=True)
class Results:
    """A stream of results and how many there will be."""

    n_photos: int
    n_skipped: int
    """Photos that the output already holds."""
    stream: Iterator[PhotoResult]


@contextmanager
def open_results(
    photos: Iterable[str | os.PathLike[str]],
    *,
    reader: PhotoReader,
    jobs: int = 0,
    scheduler: str = "",
    skip: Set[str] = frozenset(),
) -> Iterator[Results]:
    """Read files and folders with as many workers as fit.

    Parameters
    ----------
    photos : iterable of path
        Files and folders, see :func:`legibility.photo.find.find_photos`.
    reader : callable
        See :func:`legibility.batch.run`.
    jobs, scheduler
        See :func:`legibility.batch.open_workers`.
    skip : set of str
        Printable names of photos that are not read again.

    Raises
    ------
    PhotoError
        If there is no photo at all.
    """
    found = photos_in(photos)
    waiting = [path for path in found if printable_name(path) not in skip]
    with open_workers(n_photos=len(waiting), jobs=jobs, scheduler=scheduler) as workers:
        stream = run(
            waiting,
            workers.executor,
            reader=reader,
            reopen=workers.reopen,
            look_ahead=workers.look_ahead,
        )
        try:
            yield Results(len(waiting), len(found) - len(waiting), stream)
        finally:
            close = getattr(stream, "close", None)
            if close is not None:
                close()


def without_details(result: PhotoResult) -> PhotoResult:
    """The result with its best hypothesis only, small enough to keep thousands of them."""
    return replace(
        result, reading=replace(result.reading, hypotheses=result.reading.hypotheses[:1])
    )
