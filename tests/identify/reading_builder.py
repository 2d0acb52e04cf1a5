"""Readings built by hand for the tests of this folder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from legibility.alphabet import N_CLASSES, NO_CHARACTER, index_of
from legibility.containers import CellReading, Hypothesis, NeedleEvidence, Reading


def cell_of(logp: np.ndarray) -> CellReading:
    quad = np.array([[0, 0], [20, 0], [20, 30], [0, 30]], dtype=np.float64)
    return CellReading(np.asarray(logp, dtype=np.float64), quad, NeedleEvidence(12, 11.0), 0.5, 1.0)


def cell(chances: Mapping[str, float]) -> CellReading:
    """A cell from probabilities of characters ("" = no character); the rest is even."""
    weights = np.zeros(N_CLASSES)
    for character, chance in chances.items():
        weights[index_of(character) if character else NO_CHARACTER] = chance
    empty = weights == 0
    weights[empty] = (1 - weights.sum()) / empty.sum()
    return cell_of(np.log(weights))


def random_cell(rng: np.random.Generator, *, spread: float = 2.0) -> CellReading:
    logits = rng.normal(0, spread, N_CLASSES)
    return cell_of(logits - np.log(np.sum(np.exp(logits))))


def reading(
    *hypotheses: Sequence[Sequence[CellReading]],
    weights: Sequence[float] | None = None,
    no_mark: float = 0.01,
) -> Reading:
    """Hypotheses of rows of cells, alike or with ``weights`` that sum to ``1 - no_mark``."""
    count = len(hypotheses)
    shares = weights or [(1 - no_mark) / max(count, 1)] * count
    return Reading(
        tuple(
            Hypothesis(float(np.log(share)), tuple(tuple(row) for row in rows), 0.0, False)
            for share, rows in zip(shares, hypotheses, strict=True)
        ),
        float(np.log(no_mark)),
    )


def sure(*rows: str, chance: float = 0.97, no_mark: float = 0.01) -> Reading:
    """A reading that is sure of every character."""
    return reading([[cell({c: chance}) for c in row] for row in rows], no_mark=no_mark)
