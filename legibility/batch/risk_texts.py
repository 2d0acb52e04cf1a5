"""A registry's risk as lines of JSON or CSV, put together by several processes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.batch.executors import in_order, open_workers, usable_cores
from legibility.batch.risk_listing import Listing
from legibility.batch.risk_report import RegistryReport
from legibility.batch.shared import Shared, shared
from legibility.report.risk_lines import CSV_RIVALS, CsvLines, JsonLines, csv_heading
from legibility.risk.risk import TOP

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
    return _texts(report, JsonLines, TOP, jobs)


def risk_csv_texts(report: RegistryReport, *, jobs: int = 0) -> Iterator[str]:
    """Lines of a CSV file of all animals (``risk_lines.risk_csv``), as :func:`risk_json_texts`."""
    yield csv_heading()
    yield from _texts(report, CsvLines, CSV_RIVALS, jobs)


Writer = type[JsonLines] | type[CsvLines]


def _texts(report: RegistryReport, writer: Writer, most: int, jobs: int) -> Iterator[str]:
    jobs = jobs or usable_cores()
    if jobs == 1 or len(report) < ANIMALS_FOR_A_POOL:
        yield from map(_Lines(report.listing, writer, most), report.batches())
        return
    with (
        shared(report.listing) as listing,
        open_workers(n_photos=len(report), jobs=jobs) as workers,
    ):
        work = _SharedLines(listing, writer, most)
        yield from in_order(workers.executor, work, report.batches(), look_ahead=workers.look_ahead)


class _Lines:
    """Lines of some animals; what all of them share is made once."""

    def __init__(self, listing: Listing, writer: Writer, most: int) -> None:
        self._listing, self._most = listing, most
        self._make = writer
        self._writer: JsonLines | CsvLines | None = None

    def __call__(self, animals: NDArray[np.int64]) -> str:
        columns = self._listing.columns(animals, most=self._most)
        self._writer = self._writer or self._make(columns)
        return self._writer.lines(columns)


@dataclass(frozen=True, slots=True)
class _SharedLines:
    """The same in any process of this machine."""

    listing: Shared[Listing]
    writer: Writer
    most: int

    def __call__(self, animals: NDArray[np.int64]) -> str:
        if self not in _KEPT:
            _KEPT.clear()
            _KEPT[self] = _Lines(self.listing.value(), self.writer, self.most)
        return _KEPT[self](animals)


_KEPT: Final[dict[_SharedLines, _Lines]] = {}
"""What a process has prepared for its next animals."""
