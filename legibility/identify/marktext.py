"""The mark as read, without any registry."""

from __future__ import annotations

import heapq
from typing import Final

import numpy as np

from legibility.alphabet import (
    CHARACTERS,
    LOOK_ALIKE,
    N_CHARACTERS,
    ROW_SEPARATOR,
    UNREAD,
    index_of,
)
from legibility.containers import CellReading, Hypothesis, Reading
from legibility.identify.views import hypothesis_weights
from legibility.probability import LOG_FLOOR
from legibility.settings import Settings

BEAM: Final = 64
"""Choice: most partial marks kept while the most probable ones are put together."""


def best_hypothesis(reading: Reading) -> Hypothesis | None:
    """The way to see the picture that is shown; None when no row was found."""
    return next((one for one in reading.hypotheses if any(one.rows)), None)


def best_character(cell: CellReading) -> tuple[str, float]:
    """Most probable character of a cell and its probability, "no character" aside."""
    index = int(np.argmax(cell.logp[:N_CHARACTERS]))
    return CHARACTERS[index], float(np.exp(cell.logp[index]))


def shape_probability(cell: CellReading) -> float:
    """Probability of the most probable character or its look-alike (O and 0, I and 1).

    Which of the two it is only the herd's rules or the registry can say; the shape is read.
    """
    character, probability = best_character(cell)
    twin = LOOK_ALIKE.get(character)
    return probability + (float(np.exp(cell.logp[index_of(twin)])) if twin else 0.0)


def best_text(reading: Reading, settings: Settings) -> str:
    """Most probable mark, "?" for each cell whose shape cannot be read, ``/`` between rows.

    How marks are usually written counts (``marks.usual``). Cells read as "no character" are left
    out; empty when nothing is left.

    Examples
    --------
    ``"A4/12?"``: two rows, the last character cannot be read.
    """
    hypothesis = best_hypothesis(reading)
    rows = []
    for cells in hypothesis.as_written().rows if hypothesis else ():
        text = ""
        for cell in cells:
            if not cell.is_empty:
                read = shape_probability(cell) >= settings.readable_probability
                text += best_character(cell)[0] if read else UNREAD
        rows.append(text)
    return ROW_SEPARATOR.join(row for row in rows if row)


def probable_marks(reading: Reading, *, count: int, exponent: float) -> list[tuple[str, float]]:
    """Most probable marks when nothing is known of the herd, best first.

    Parameters
    ----------
    reading : Reading
    count : int
        Most marks returned.
    exponent : float
        Calibration exponent, applied to each cell.

    Returns
    -------
    list of (mark, log-probability given that there is a mark)
        Lower bounds: partial marks beyond the ``BEAM`` best are not added (about 0.1 % of them).
    """
    found: dict[str, float] = {}
    hypotheses = [h for h in reading.hypotheses if any(h.rows)]
    weights = hypothesis_weights(hypotheses) if hypotheses else ()
    for weight, hypothesis in zip(weights, hypotheses, strict=True):
        marks = [("", float(weight))]
        for cells in hypothesis.rows:
            rows = _probable_rows(cells, exponent)
            joined = [
                (ROW_SEPARATOR.join(part for part in (mark, row) if part), a + b)
                for mark, a in marks
                for row, b in rows
            ]
            marks = heapq.nlargest(BEAM, _merged(joined).items(), key=lambda item: item[1])
        for mark, logp in marks:
            if mark:
                found[mark] = float(np.logaddexp(found.get(mark, -np.inf), logp))
    return sorted(found.items(), key=lambda item: (-item[1], item[0]))[:count]


def _probable_rows(cells: tuple[CellReading, ...], exponent: float) -> list[tuple[str, float]]:
    rows = [("", 0.0)]
    for cell in cells:
        logp = exponent * np.maximum(cell.logp, LOG_FLOOR)
        logp = logp - np.logaddexp.reduce(logp)
        longer = [
            (row + (CHARACTERS[index] if index < N_CHARACTERS else ""), total + float(logp[index]))
            for row, total in rows
            for index in range(logp.size)
        ]
        rows = heapq.nlargest(BEAM, _merged(longer).items(), key=lambda item: item[1])
    return rows


def _merged(items: list[tuple[str, float]]) -> dict[str, float]:
    merged: dict[str, float] = {}
    for text, logp in items:
        merged[text] = float(np.logaddexp(merged[text], logp)) if text in merged else logp
    return merged
