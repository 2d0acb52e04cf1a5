"""What one photo of a known animal says of a whole herd, small enough to keep thousands of.

The animal's own log-likelihood and that of "not registered" are kept as they are, and so are those
of the most likely other animals; the many others are counted by steps of their log-likelihood. One
such record serves twice: with the animal in the registry, and with it left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Reading
from legibility.identify.animals import Registry
from legibility.identify.candidates import log_likelihoods
from legibility.identify.certainty import reading_certainty
from legibility.identify.unregistered import (
    registered_part,
    unregistered_log_likelihood,
    unregistered_marks,
)
from legibility.settings import Settings

KEPT: Final = 100
"""Choice: other animals kept one by one; sets of candidates are seldom larger."""
STEP: Final = 0.05
"""Choice: width in nats of the step next below them, which changes a sum over animals by less than
1e-4 of itself; steps grow with the distance, where there is nothing left to change."""
GROWTH: Final = 2.0
"""Choice: nats over which steps double in width."""
LEARNED_ANEW: Final = 2000
"""Choice: one animal more or less changes little of what a larger registry says of its herds."""
LOWEST: Final = 700.0
"""Nats below which nothing is told apart: exp(-700) is the least positive double."""


@dataclass(frozen=True, slots=True)
class HerdScores:
    """Log-likelihoods of one photo for a herd that its animal belongs to."""

    photo: str
    """Which photo it was: records of one photo are not independent."""
    condition: str
    """How the mark looks, in words, for tables; empty when it is not known."""
    own: float
    """Log-likelihood of the photo's animal."""
    others: NDArray[np.float64]
    """(m,) of the other animals, descending."""
    counts: NDArray[np.int64]
    """(m,) how many animals have it."""
    unregistered: float
    """Of "not registered"."""
    logp_no_mark: float
    certainty: float
    """See :func:`legibility.identify.certainty.reading_certainty`."""
    weights: tuple[float, float] = (0.9, 0.1)
    """How much the record counts with its animal in the registry, and with it left out."""
    unregistered_left_out: float = math.nan
    """Of "not registered" by a registry without the animal; NaN: the same."""

    def stranger(self, *, left_out: bool) -> float:
        """Log-likelihood of "not registered", with the animal in the registry or without it."""
        same = not left_out or math.isnan(self.unregistered_left_out)
        return self.unregistered if same else self.unregistered_left_out

    @property
    def animals(self) -> int:
        """Registered ones, the photo's animal with them."""
        return int(self.counts.sum()) + 1


def herd_scores(
    reading: Reading,
    registry: Registry,
    *,
    own: Sequence[int],
    settings: Settings,
    photo: str,
    condition: str = "",
    weights: tuple[float, float] = (0.9, 0.1),
) -> HerdScores:
    """Scores of a photo whose animal is known.

    Parameters
    ----------
    reading : Reading
        With at least one hypothesis.
    own : sequence of int
        Index of the photo's animal, and of others that carry the same mark and are left out with
        it. Empty for an animal that is not registered: the record then only counts as left out.
    weights : (float, float)
    """
    values = log_likelihoods(reading, registry, settings=settings)
    rest = np.delete(values[:-1], list(own))
    left_out = math.nan
    if len(own) and weights[1] > 0 and registry.right is None:
        left_out = _left_out(reading, registry, values[:-1], own, settings)
    others, counts = binned(rest)
    return HerdScores(
        photo=photo,
        condition=condition,
        own=float(values[own[0]]) if len(own) else -math.inf,
        others=others,
        counts=counts,
        unregistered=float(values[-1]),
        logp_no_mark=reading.logp_no_mark,
        certainty=reading_certainty(reading),
        weights=weights if len(own) else (0.0, sum(weights)),
        unregistered_left_out=left_out,
    )


def _left_out(
    reading: Reading,
    registry: Registry,
    values: NDArray[np.float64],
    own: Sequence[int],
    settings: Settings,
) -> float:
    """Log-likelihood of "not registered" by a registry without some of its animals.

    Up to ``LEARNED_ANEW`` animals its marks are learned anew without them; in a larger one they are
    only no longer taken out of the herds' marks.
    """
    others = np.delete(np.arange(len(registry)), list(own))
    if 0 < others.size <= LEARNED_ANEW:
        table = registry.table.of_animals(others)
        marks = unregistered_marks(table, rules=registry.rules, layouts=registry.layouts)
        part = registered_part(reading, values[others], marks, table, settings=settings)
    else:
        marks = registry.unregistered
        part = registered_part(
            reading, values, marks, registry.table, settings=settings, left_out=own
        )
    return unregistered_log_likelihood(reading, marks, registered=part)


def binned(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Descending values with counts: the ``KEPT`` largest alone, the others by steps."""
    ordered = -np.sort(-values)
    first, rest = ordered[:KEPT], ordered[KEPT:]
    alone = np.ones(first.size, dtype=np.int64)
    if not rest.size:
        return first, alone
    below = np.minimum(first[-1] - rest, LOWEST)
    steps, counts = np.unique(
        np.floor(np.log1p(below / GROWTH) * GROWTH / STEP), return_counts=True
    )
    middles = first[-1] - GROWTH * np.expm1((steps + 0.5) * STEP / GROWTH)
    return np.concatenate([first, middles]), np.concatenate([alone, counts.astype(np.int64)])
