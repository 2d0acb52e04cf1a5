"""What each reader's view of a photo says of given marks: log-likelihoods, reader by reader."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import NO_CHARACTER
from legibility.containers import Hypothesis, LogLikelihood, Photo, Reading
from legibility.enhance.chain import enhance
from legibility.identify.layouts import LayoutPrior
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import MarkTable, build_mark_table
from legibility.identify.marktext import probable_marks
from legibility.identify.rowcheck import check_mark
from legibility.identify.unregistered import UnregisteredMarks, unregistered_log_likelihood
from legibility.pipeline.cells import NO_CELL, Readers, RowOpinions, pooled
from legibility.pipeline.reading import read_mark, reading_model
from legibility.pipeline.sighting import Sighting
from legibility.probability import normalise_log
from legibility.settings import Settings

OWN_MARKS: Final = 8
"""Choice: most probable marks of a reading that are asked for; the first one that can be a mark
counts."""
READERS: Final = ("pooled", "network", "needles", "second")
"""The fused readers, and each of the three apart."""


@dataclass(frozen=True, slots=True)
class KeptRow:
    """Places of a row that count as cells, and what each reader said of them."""

    row: int
    """Index of the row's opinions."""
    places: tuple[int, ...]
    """Indices of its places among those of the row's opinions."""
    logp: Mapping[str, LogLikelihood]
    """Reader -> (cells, 37); a reader that was not asked is missing."""


@dataclass(frozen=True, slots=True)
class PhotoOpinions:
    """One photo as all readers saw it."""

    reading: Reading
    sighting: Sighting
    rows: tuple[RowOpinions, ...]
    kept: tuple[KeptRow, ...]
    """For each row of the best hypothesis that has cells."""


def photo_opinions(photo: Photo, *, settings: Settings) -> PhotoOpinions:
    """Read a photo and keep what every reader said."""
    enhanced = enhance(photo, settings=settings)
    reading, sighting, rows = read_mark(
        photo.pixels,
        not_seen=enhanced.glare | enhanced.hair,
        readers=Readers(
            second=settings.second_reader, second_timeout_s=settings.second_reader_timeout_s
        ),
    )
    kept = [_kept_row(index, opinions) for index, opinions in enumerate(rows)]
    return PhotoOpinions(reading, sighting, rows, tuple(row for row in kept if row.places))


def _kept_row(index: int, opinions: RowOpinions) -> KeptRow:
    fused = pooled(opinions, reading_model())
    places = tuple(
        place for place in range(len(fused)) if fused[place, NO_CHARACTER] <= math.log(NO_CELL)
    )
    if not places:
        return KeptRow(index, (), {})
    at = list(places)
    network = normalise_log(opinions.network_logp[at])
    logp = {"pooled": fused[at], "network": network}
    if opinions.needles is not None:
        logp["needles"] = _with_presence(opinions.needle_loglik[at], network)
    if opinions.second_logp is not None:
        logp["second"] = normalise_log(opinions.second_logp[at])
    return KeptRow(index, places, logp)


def _with_presence(loglik: NDArray[np.float64], network: LogLikelihood) -> LogLikelihood:
    """The needle model's characters with the network's "no character", which it does not know."""
    present = np.log1p(-np.exp(np.minimum(network[:, NO_CHARACTER], -1e-9)))
    own = normalise_log(loglik) + present[:, None]
    return np.concatenate([own, network[:, NO_CHARACTER:]], axis=1)


def reader_readings(opinions: PhotoOpinions) -> dict[str, Reading]:
    """The reading as it would be by each reader alone; a reader that said nothing is missing.

    The network alone also judges the less probable ways round; the others see the best one only.
    """
    reading = opinions.reading
    if not reading.hypotheses:
        return {}
    best = reading.hypotheses[0]
    if [len(row) for row in best.rows] != [len(row.places) for row in opinions.kept]:
        return {"pooled": reading}
    result = {"pooled": reading}
    for name in READERS[1:]:
        if not all(name in row.logp for row in opinions.kept):
            continue
        own = _with_cells(best, [row.logp[name] for row in opinions.kept])
        others = reading.hypotheses[1:] if name == "network" else ()
        result[name] = replace(reading, hypotheses=(own, *others))
    return result


def _with_cells(hypothesis: Hypothesis, rows: Sequence[LogLikelihood]) -> Hypothesis:
    cells = tuple(
        tuple(replace(cell, logp=logp) for cell, logp in zip(row, values, strict=True))
        for row, values in zip(hypothesis.rows, rows, strict=True)
    )
    return replace(hypothesis, rows=cells)


def mark_log_likelihoods(
    reading: Reading,
    marks: Sequence[str] | MarkTable,
    *,
    settings: Settings,
    layouts: LayoutPrior | None = None,
) -> NDArray[np.float64]:
    """(marks,) log-likelihood of each mark, in their order; 0 for all where nothing was read.

    What was read may be no mark at all and then says nothing of any claim:
    ``log((1 - q) L + q)`` with q the reading's probability of that.
    """
    if not reading.hypotheses:
        return np.zeros(len(marks))
    table = marks if isinstance(marks, MarkTable) else build_mark_table(list(marks))
    values = registry_log_likelihood(reading, table, settings=settings, layouts=layouts)
    return _or_no_mark(values, reading)


def said(reading: Reading, neither: float, *, settings: Settings) -> float:
    """How far a photo tells marks apart, 0..1: the share of its best mark's likelihood that a mark
    at random has not.

    0 where nothing was read, or all marks are as probable as each other; near 1 where the mark is
    read at all.

    Parameters
    ----------
    neither : float
        :func:`neither_log_likelihood` of the same reading.
    """
    own = probable_marks(reading, count=OWN_MARKS, exponent=1.0) if reading.hypotheses else []
    best = next((mark for mark, _ in own if not check_mark(mark, None)[1]), None)
    if best is None:
        return 0.0
    value = float(mark_log_likelihoods(reading, (best,), settings=settings)[0])
    return -math.expm1(min(neither - value, 0.0))


def neither_log_likelihood(reading: Reading, others: UnregisteredMarks) -> float:
    """The same for "some other mark that the rules allow", on average."""
    if not reading.hypotheses:
        return 0.0
    value = unregistered_log_likelihood(reading, others)
    return float(_or_no_mark(np.array([value]), reading)[0])


def _or_no_mark(values: NDArray[np.float64], reading: Reading) -> NDArray[np.float64]:
    no_mark = min(reading.logp_no_mark, -1e-12)
    marked = math.log(-math.expm1(no_mark))
    return np.asarray(np.logaddexp(values + marked, no_mark), dtype=np.float64)


def as_recorded(settings: Settings) -> Settings:
    """Settings in which nothing can go wrong at application."""
    return replace(settings, p_swap=0.0, p_wrong_die=0.0, p_turned_die=0.0)
