"""Application channel: the mark in the ear is not always the mark in the record.

At most one thing goes wrong when a mark is applied: two neighbouring dies in the wrong order, one
wrong die, or one die upside down that still makes a character. With ``o = p / (1 - p)`` for each of
these events, independent events conditioned on "at most one happened" give

    eps(event | x) = o_event / (1 + sum of all o),    eps(nothing | x) = 1 / (1 + sum of all o),

which sums to one for any settings. Two events may end in the same characters (a wrong die and a
turned die both make 9 of 6); their probabilities then add, each event counted once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, ROW_SEPARATOR, index_of, split_mark
from legibility.settings import Settings

TURNED: Final = {"6": "9", "9": "6", "M": "W", "W": "M", "L": "7", "7": "L"}
"""Choice, by the shape of the characters turned by half a circle; those that look the same
(H, I, N, O, S, X, Z, 0, 8) do no harm and are not events."""

TURNED_INDEX: Final[NDArray[np.int64]] = np.array(
    [index_of(TURNED.get(character, character)) for character in CHARACTERS]
)
"""(36,): what each die makes upside down; itself when it is no event."""

IS_TURNABLE: Final[NDArray[np.bool_]] = np.arange(N_CHARACTERS) != TURNED_INDEX
"""(36,): whether turning a die makes another character."""


@dataclass(frozen=True, slots=True)
class ChannelOdds:
    """Odds of each event against "nothing went wrong"."""

    swap: float
    """Per neighbouring pair of different characters."""
    wrong_die: float
    """Per character, shared evenly by the 35 others."""
    turned_die: float
    """Per character that makes another one when turned."""


def channel_odds(settings: Settings) -> ChannelOdds:
    """Odds of the events from the probabilities of the settings."""
    return ChannelOdds(
        swap=_odds(settings.p_swap),
        wrong_die=_odds(settings.p_wrong_die),
        turned_die=_odds(settings.p_turned_die),
    )


def channel_outcomes(mark: str, *, odds: ChannelOdds) -> dict[str, float]:
    """Every mark that the ear may carry for a record, with its probability.

    Parameters
    ----------
    mark : str
        As written, ``AB/123``.
    odds : ChannelOdds

    Returns
    -------
    dict of str to float
        Mark in the ear -> eps(mark in the ear | record); sums to one; outcomes of odds 0 left out.
    """
    rows = split_mark(mark)
    weights: dict[str, float] = {mark: 1.0}

    def add(row: int, changed: str, weight: float) -> None:
        if weight > 0:
            outcome = ROW_SEPARATOR.join((*rows[:row], changed, *rows[row + 1 :]))
            weights[outcome] = weights.get(outcome, 0.0) + weight

    for number, row in enumerate(rows):
        for place, character in enumerate(row):
            before, after = row[:place], row[place + 1 :]
            for other in CHARACTERS:
                if other != character:
                    add(number, before + other + after, odds.wrong_die / (N_CHARACTERS - 1))
            if character in TURNED:
                add(number, before + TURNED[character] + after, odds.turned_die)
            if after and after[0] != character:
                add(number, before + after[0] + character + after[1:], odds.swap)
    total = sum(weights.values())
    return {outcome: weight / total for outcome, weight in weights.items()}


def total_odds(
    characters: NDArray[np.integer],
    turnable: NDArray[np.integer],
    unequal_pairs: NDArray[np.integer],
    *,
    odds: ChannelOdds,
) -> NDArray[np.float64]:
    """Sum of the odds of all events of a row, from what it is made of.

    Parameters
    ----------
    characters, turnable, unequal_pairs : ndarray of int, same shape
        Number of characters, of those that make another one when turned, and of neighbouring
        pairs of different characters.

    Returns
    -------
    ndarray of float64, same shape
    """
    return np.asarray(
        characters * odds.wrong_die + turnable * odds.turned_die + unequal_pairs * odds.swap,
        dtype=np.float64,
    )


def _odds(probability: float) -> float:
    return probability / (1.0 - probability)
