"""A registry's risk as lines of JSON or CSV, or as columns, put together by several processes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Final, Generic, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from legibility.batch.executors import open_workers
from legibility.batch.risk_listing import Listing
from legibility.batch.risk_report import RegistryReport
from legibility.batch.shared import Shared, shared
from legibility.in_order import in_order
from legibility.misreadings import RiskColumns
from legibility.report.risk_lines import CSV_RIVALS, CsvLines, JsonLines, csv_heading
from legibility.risk.risk import TOP
from legibility.workers import usable_cores

T = TypeVar("T")
Maker: TypeAlias = Callable[[Listing], Callable[[NDArray[np.int64]], T]]

ANIMALS_FOR_A_POOL: Final = 50_000
"""Measured: below this a pool of processes takes longer to start than it saves."""


def risk_json_texts(report: RegistryReport, *, jobs: int = 0) -> Iterator[str]:
    """JSON lines of all animals (``risk_lines.risk_json``), some thousand at a time.

    Parameters
    ----------
    report : RegistryReport
    jobs : int
        Processes; 0 for one a core.
    """
    return _made(report, partial(_Lines, writer=JsonLines, most=TOP), jobs)


def risk_csv_texts(report: RegistryReport, *, jobs: int = 0) -> Iterator[str]:
    """Lines of a CSV file of all animals (``risk_lines.risk_csv``), as :func:`risk_json_texts`."""
    yield csv_heading()
    yield from _made(report, partial(_Lines, writer=CsvLines, most=CSV_RIVALS), jobs)


def risk_columns(report: RegistryReport, *, jobs: int = 0) -> Iterator[RiskColumns]:
    """All animals in columns (``RegistryReport.columns``), as :func:`risk_json_texts`."""
    animal_ids, marks = report.listing.names
    for columns in _made(report, _nameless, jobs):
        yield replace(columns, animal_ids=animal_ids, marks=marks)


def _made(report: RegistryReport, make: Maker[T], jobs: int) -> Iterator[T]:
    """What is made of all animals, some at a time."""
    jobs = jobs or usable_cores()
    if jobs == 1 or len(report) < ANIMALS_FOR_A_POOL:
        yield from map(make(report.listing), report.batches())
        return
    with (
        shared(report.listing) as listing,
        open_workers(n_photos=len(report), jobs=jobs) as workers,
    ):
        yield from in_order(
            workers.executor,
            _There(listing, make),
            report.batches(),
            look_ahead=workers.look_ahead,
        )


@dataclass(frozen=True, slots=True)
class _There(Generic[T]):
    """Makes it in any process of this machine."""

    listing: Shared[Listing]
    make: Maker[T]

    def __call__(self, animals: NDArray[np.int64]) -> T:
        if self.listing not in _KEPT:
            _KEPT.clear()
            _KEPT[self.listing] = self.make(self.listing.value())
        made: T = _KEPT[self.listing](animals)
        return made


_KEPT: Final[dict[Shared[Listing], Callable[[NDArray[np.int64]], Any]]] = {}
"""What a process has prepared for its next animals."""


class _Lines:
    """Lines of some animals; what all of them share is made once."""

    def __init__(
        self, listing: Listing, *, writer: type[JsonLines] | type[CsvLines], most: int
    ) -> None:
        self._listing, self._make, self._most = listing, writer, most
        self._writer: JsonLines | CsvLines | None = None

    def __call__(self, animals: NDArray[np.int64]) -> str:
        columns = self._listing.columns(animals, most=self._most)
        self._writer = self._writer or self._make(columns)
        return self._writer.lines(columns)


def _nameless(listing: Listing) -> Callable[[NDArray[np.int64]], RiskColumns]:
    """Columns without the names of the whole registry, which travel badly."""
    return listing.nameless
