"""Marks by their places: each character by the one before it, or by its place alone.

- *chain*: each character depends on its place and on the one before it (a Markov chain), smoothed
  towards the characters of its place, and these towards all letters or all figures;
- *shape*: any letter or any figure at each place, as often as in the registry.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.identify.emissions import Emissions, advanced
from legibility.identify.mark_texts import IS_LETTER, LETTERS, Texts

PLACE_COUNT: Final = 10.0
"""Choice: marks that "any letter, any figure" counts as at a place of the chain."""
CHAIN_COUNT: Final = 3.0
"""Choice: marks that the characters of a place count as behind a character of the chain."""
STRANGE_SHARE: Final = 0.05
"""Choice: share of characters of a place that may be any."""


@dataclass(frozen=True, slots=True)
class Chain:
    """Characters of marks of one length, each by the one before."""

    first: NDArray[np.float64]
    """(36,)"""
    steps: NDArray[np.float64]
    """(n - 1, 36, 36): of each character, by the one before."""


def shape_of(texts: Texts) -> NDArray[np.float64]:
    """(n, 36) letters and figures by place as often as there, each alike."""
    letters = IS_LETTER[texts].mean(axis=0)[:, None]
    kinds = np.where(IS_LETTER, letters / LETTERS, (1 - letters) / (N_CHARACTERS - LETTERS))
    return np.asarray((1.0 - STRANGE_SHARE) * kinds + STRANGE_SHARE / N_CHARACTERS)


def chain_of(texts: Texts) -> Chain:
    count, places = texts.shape
    own = [
        (np.bincount(column, minlength=N_CHARACTERS) + PLACE_COUNT * kind) / (count + PLACE_COUNT)
        for column, kind in zip(texts.T, shape_of(texts), strict=True)
    ]
    steps = np.empty((places - 1, N_CHARACTERS, N_CHARACTERS))
    for place in range(1, places):
        pairs = np.bincount(
            texts[:, place - 1] * N_CHARACTERS + texts[:, place], minlength=N_CHARACTERS**2
        ).reshape(N_CHARACTERS, N_CHARACTERS)
        both = pairs + CHAIN_COUNT * own[place]
        steps[place - 1] = both / both.sum(axis=1, keepdims=True)
    return Chain(own[0], steps)


def chain_average(chain: Chain, cells: Emissions) -> float:
    """Likelihood averaged over the marks of a chain."""
    states = np.tile(cells.first, (N_CHARACTERS, 1)) * chain.first[:, None]
    states = advanced(states, cells.seen, cells.missed)
    for place, step in enumerate(chain.steps, start=1):
        ahead = step.T @ (states @ cells.gap(place))
        states = advanced(ahead, cells.seen, cells.missed)
    return float(states.sum(axis=0) @ cells.last)


def independent_average(weights: NDArray[np.float64], cells: Emissions) -> NDArray[np.float64]:
    """Likelihood averaged over marks whose characters are drawn independently.

    Parameters
    ----------
    weights : ndarray of float64, (places, 36)
        Probability of each character at each place; each place sums to one.
    cells : Emissions

    Returns
    -------
    ndarray of float64, (places,)
        For marks of the first 1, 2, ... places; with ``cells.jumps`` only the last one holds.
    """
    states = np.zeros((1, cells.missed.size))
    states[0, 0] = 1.0
    result = np.empty(weights.shape[0])
    for place, seen in enumerate(weights @ cells.seen):
        states = advanced(states @ cells.gap(place), seen, cells.missed)
        result[place] = float(states[0] @ cells.last)
    return result


def chain_probability(chain: Chain, texts: Texts) -> NDArray[np.float64]:
    """(k,) probability of marks by a chain."""
    result = chain.first[texts[:, 0]]
    for place, step in enumerate(chain.steps):
        result = result * step[texts[:, place], texts[:, place + 1]]
    return np.asarray(result)
