"""Likelihood averaged over marks that end with a check character, exactly.

A check character hangs on all others, so places are not independent. The states of the alignment
(cells used) are kept once for each state of the check's automaton; the sum over all marks stays one
pass from left to right over both rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.containers import LogLikelihood
from legibility.identify.emissions import Emissions, Prices, advanced, emissions, one_row
from legibility.marks.rules import Layout


@dataclass(frozen=True, slots=True)
class CheckedMarks:
    """Marks of one layout with a check character."""

    log_share: float
    layout: Layout
    weights: tuple[NDArray[np.float64], ...]
    """For each row (places, 36): probability of every character at every place but the check's,
    drawn independently; texts whose check no die can press are left out."""


def checked_log_likelihood(
    rows: Sequence[LogLikelihood | None], marks: CheckedMarks, *, prices: Prices
) -> float:
    """Log of the likelihood averaged over the marks of one layout.

    Parameters
    ----------
    rows : sequence of (cells, 37) arrays or None
        For each row of the mark the cells it was seen as; None: this row was not found.
    marks : CheckedMarks
    prices : Prices

    Returns
    -------
    float
        On the scale of :func:`legibility.identify.place_models.independent_average`; ``-inf`` when
        there is no such mark.
    """
    automaton = _automaton(marks.layout)
    likelihood = np.zeros(automaton.states)
    likelihood[automaton.start] = 1.0
    prior, place = likelihood.copy(), 0
    for logp, weights in zip(rows, marks.weights, strict=True):
        ends = place + weights.shape[0]
        steps = range(place, ends)
        prior = automaton.walk(prior[:, None], weights, steps, None)[:, 0]
        if logp is None:
            likelihood = automaton.walk(likelihood[:, None], weights, steps, None)[:, 0]
        else:
            cells = emissions(one_row(logp, prices=prices))
            likelihood = automaton.walk(likelihood, weights, steps, cells)
        place = ends
    if prior.sum() == 0.0:
        return -np.inf
    with np.errstate(divide="ignore"):
        return float(np.log(likelihood.sum()) - np.log(prior.sum()))


@dataclass(frozen=True, slots=True)
class _Automaton:
    states: int
    start: int
    steps: tuple[dict[int, NDArray[np.int64]], ...]
    """For each place before the check: state after each covered character."""
    finish: NDArray[np.int64]
    """(states, length) index of the check characters, -1 where there are none."""

    def walk(
        self,
        states: NDArray[np.float64],
        weights: NDArray[np.float64],
        places: range,
        cells: Emissions | None,
    ) -> NDArray[np.float64]:
        """States after one row of places.

        With cells ``states`` is (states,), and the cells of the row are used up; a row that was not
        seen goes through as (states, 1) without them.
        """
        seen, gap, missed = np.zeros((N_CHARACTERS, 0)), np.ones((1, 1)), np.ones(1)
        if cells is not None:
            seen, gap, missed = cells.seen, cells.within, cells.missed
            unused = np.zeros((self.states, missed.size - 1))
            states = np.concatenate([states[:, None], unused], axis=1)
        for number, place in enumerate(places):
            states = states @ gap
            if place >= len(self.steps):
                index = self.finish[:, place - len(self.steps)]
                possible = (index >= 0)[:, None]
                states = possible * advanced(states, seen[np.maximum(index, 0)], missed)
                continue
            step = self.steps[place]
            # Characters that leave the check's state as it is go through together.
            uncovered = weights[number].copy()
            uncovered[list(step)] = 0.0
            result = uncovered.sum() * missed * states
            result[:, 1:] += states[:, :-1] * (uncovered @ seen)
            for character, following in step.items():
                weight = weights[number, character]
                if weight > 0:
                    result[following] += weight * advanced(states, seen[character], missed)
            states = result
        return states if cells is None else np.asarray((states @ gap)[:, -1])


@lru_cache(maxsize=64)
def _automaton(layout: Layout) -> _Automaton:
    scheme = layout.scheme
    if scheme is None:
        raise ValueError("a layout without a check character needs no automaton")
    steps: list[dict[int, NDArray[np.int64]]] = []
    after = 0
    every = range(scheme.states)
    for place in reversed(layout.places[: -scheme.length]):
        inside = place.allowed[0] in layout.covers
        covered = place.allowed if inside else ""
        steps.append(
            {
                CHARACTERS.index(c): np.array([scheme.step(s, c, after) for s in every])
                for c in covered
            }
        )
        after += inside
    allowed = layout.places[-1].allowed
    finish = np.full((scheme.states, scheme.length), -1)
    for state in every:
        check = scheme.finish(state)
        if check and all(character in allowed for character in check):
            finish[state] = [CHARACTERS.index(character) for character in check]
    return _Automaton(scheme.states, scheme.start, tuple(reversed(steps)), finish)
