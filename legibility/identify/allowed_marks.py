"""The most probable marks when no registry is given, but the herd's rules are.

Marks are found by a beam over the cells, place by place among what the rules allow. Their
probability does not hang on what the beam left out: the sum over all marks that the rules allow is
exact (:mod:`.unregistered`).
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from legibility.alphabet import CHARACTERS, NO_CHARACTER, ROW_SEPARATOR
from legibility.containers import CellReading, Reading
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import build_mark_table
from legibility.identify.unregistered import unregistered_log_likelihood, unregistered_marks
from legibility.marks.patterns import Place
from legibility.marks.rules import Layout, Rules, layouts_of
from legibility.marks.space import log_share
from legibility.probability import LOG_FLOOR
from legibility.settings import Settings

BEAM: Final = 64
"""Choice: most partial marks kept while the most probable ones are put together."""
BROKEN_RULES_SHARE: Final = 0.01
"""Choice, no source: share of photos that show a mark which the rules do not allow."""
_AS_PRESSED: Final = Settings(p_swap=0.0, p_wrong_die=0.0, p_turned_die=0.0)


def probable_allowed_marks(
    reading: Reading, rules: Rules, *, count: int, exponent: float
) -> list[tuple[str, float]]:
    """Most probable marks among those that rules allow, best first.

    Parameters
    ----------
    reading : Reading
    rules : Rules
    count : int
        Most marks returned.
    exponent : float
        Calibration exponent, applied to each cell.

    Returns
    -------
    list of (mark, log-probability given that there is a mark)
        Exact for every mark listed. A mark with fewer cells than characters is not looked for,
        but takes part in the sum.
    """
    tempered = _tempered(reading, exponent)
    found = sorted(set(_beam(tempered, rules)))
    if not found:
        return []
    each = registry_log_likelihood(tempered, build_mark_table(found), settings=_AS_PRESSED)
    shares = np.array([log_share(rules, mark) for mark in found])
    kept = np.log1p(-BROKEN_RULES_SHARE)
    total = np.logaddexp(
        kept + unregistered_log_likelihood(tempered, unregistered_marks(rules=rules)),
        np.log(BROKEN_RULES_SHARE) + unregistered_log_likelihood(tempered, unregistered_marks()),
    )
    logp = (kept + shares + each - total).tolist()
    return sorted(zip(found, logp, strict=True), key=lambda item: (-item[1], item[0]))[:count]


def _tempered(reading: Reading, exponent: float) -> Reading:
    def cell(item: CellReading) -> CellReading:
        logp = exponent * np.maximum(item.logp, LOG_FLOOR)
        return replace(item, logp=logp - np.logaddexp.reduce(logp))

    hypotheses = tuple(
        replace(hypothesis, rows=tuple(tuple(map(cell, cells)) for cells in hypothesis.rows))
        for hypothesis in reading.hypotheses
        if any(hypothesis.rows)
    )
    return replace(reading, hypotheses=hypotheses)


def _beam(reading: Reading, rules: Rules) -> Iterator[str]:
    """Marks that may be the most probable ones of each hypothesis and layout."""
    for hypothesis in reading.hypotheses:
        rows = [cells for cells in hypothesis.rows if cells]
        for layout in layouts_of(rules):
            if len(layout.rows) != len(rows):
                continue
            if any(len(c) < n for c, n in zip(rows, layout.lengths, strict=True)):
                continue
            texts = [
                _row_texts(_fullest(cells, len(places)), places)
                for cells, places in zip(rows, layout.rows, strict=True)
            ]
            for text in _best_pairs(texts):
                mark = _with_check(layout, text)
                if mark is not None:
                    yield mark


def _best_pairs(texts: Sequence[list[tuple[float, str]]]) -> list[tuple[str, ...]]:
    """The ``BEAM`` best of all marks made of one text of each row; texts are in order."""
    if len(texts) == 1:
        return [(text,) for _, text in texts[0]]
    # A pair (i, j) of two ordered lists has at least (i + 1)(j + 1) - 1 pairs before it.
    pairs = [
        (first + second, (a, b))
        for i, (first, a) in enumerate(texts[0])
        for second, b in texts[1][: BEAM // (i + 1)]
    ]
    return [rows for _, rows in heapq.nlargest(BEAM, pairs)]


def _fullest(cells: Sequence[CellReading], count: int) -> list[CellReading]:
    """The cells that most probably hold a character, in their order."""
    order = sorted(range(len(cells)), key=lambda n: float(cells[n].logp[NO_CHARACTER]))
    return [cells[n] for n in sorted(order[:count])]


def _row_texts(cells: Sequence[CellReading], places: Sequence[Place]) -> list[tuple[float, str]]:
    texts = [(0.0, "")]
    for cell, place in zip(cells, places, strict=True):
        # Check characters follow from the others and are put in at the end.
        allowed = place.allowed if place.role != "check" else place.allowed[:1]
        scores = [(float(cell.logp[CHARACTERS.index(c)]), c) for c in allowed]
        longer = ((total + score, text + c) for total, text in texts for score, c in scores)
        texts = heapq.nlargest(BEAM, longer)
    return texts


def _with_check(layout: Layout, rows: tuple[str, ...]) -> str | None:
    """The mark with its right check character; None when no die has it."""
    if layout.scheme is None:
        return ROW_SEPARATOR.join(rows)
    wanted = layout.check_wanted(rows)
    text = "".join(rows)[: -layout.scheme.length] + wanted
    first = layout.lengths[0]
    ended = (text[:first], text[first:])[: len(rows)]
    return ROW_SEPARATOR.join(ended) if wanted and layout.fits(ended) else None
