"""Why an animal stands where it stands: the parts of its score, and the next one beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from legibility.herd.histories import DAYS_A_YEAR
from legibility.pipeline.herd_ranking import Ranking
from legibility.pipeline.herd_state import EPOCH
from legibility.probability import percent

ALIKE = 0.02
"""Choice: parts below this share of the largest difference explain nothing."""


@dataclass(frozen=True, slots=True)
class Score:
    """``score = value * (taken + unknown)``, with ``unknown = share * spared * lost``."""

    value: float
    """Cost of a mistake with this animal."""
    taken: float
    """Probability of being taken for another animal."""
    unknown: float
    """Cost of not being known, in units of the value: probability of loss times its share."""
    score: float
    lost: float
    """Probability that the mark is lost."""
    lost_from: str
    """What ``lost`` rests on: ``age``, ``grade``, ``photos that did not show it`` or ``seen``."""
    assumed: bool
    """Whether that is a curve that nobody measured."""
    years: float | None
    """Age of the mark; None where neither its application nor the birth is known."""


def score_of(ranking: Ranking, place: int) -> Score:
    """Score of one animal, by its index."""
    state, found = ranking.state, ranking.found
    lost, applied = float(found.p_lost[place]), float(state.applied[place])
    judged = not np.isnan(state.last_usable[place])
    if not np.isnan(state.first_lost[place]):
        basis = "seen"
    elif not np.isnan(state.not_seen[place]):
        basis = "photos that did not show it"
    else:
        basis = "grade" if judged and not np.isnan(state.grade[place]) else "age"
    age = (ranking.today - EPOCH).days - applied
    return Score(
        value=float(ranking.cost[place]),
        taken=float(found.p_taken[place]),
        unknown=ranking.handling.lost_share * float(found.spared[place]) * lost,
        score=float(found.loss[place]),
        lost=lost,
        lost_from=basis,
        assumed=bool(found.assumed[place]),
        years=None if np.isnan(applied) else max(0.0, age / DAYS_A_YEAR),
    )


def why_before(ranking: Ranking, place: int, following: int) -> str:
    """Why one animal comes before another one, as a sentence."""
    mine, other = score_of(ranking, place), score_of(ranking, following)
    name = str(ranking.state.animal[following])
    if mine.score <= other.score * (1 + 1e-9):
        return f"Level with {name}: in the order of the record."
    return f"Before {name}: {reasons_between(mine, other)}."


def reasons_between(mine: Score, other: Score) -> str:
    """What makes the first of two scores the higher one, and what speaks against it.

    The differences of value, chance of being taken for another and loss add up to that of the
    scores.
    """
    parts = (
        ((mine.value - other.value) * (other.taken + other.unknown), _of_value(mine, other)),
        (mine.value * (mine.taken - other.taken), _of_taken(mine, other)),
        (mine.value * (mine.unknown - other.unknown), _of_lost(mine, other)),
    )
    least = ALIKE * max(abs(difference) for difference, _ in parts)
    for_it = [words for difference, words in parts if difference > least]
    against = [words for difference, words in parts if difference < -least]
    although = f", although {' and '.join(against)}" if against else ""
    return f"{' and '.join(for_it)}{although}"


def _of_value(mine: Score, other: Score) -> str:
    return f"a mistake with it costs {_apart(mine.value, other.value)}"


def _of_taken(mine: Score, other: Score) -> str:
    left, right = percent(mine.taken), percent(other.taken)
    if left != right:
        return f"it is taken for another with {left} against {right}"
    return f"being taken for another weighs {_apart(mine.taken, other.taken)}"


def _of_lost(mine: Score, other: Score) -> str:
    """By the chances of loss, unless they do not show why (a transponder, a small difference)."""
    left, right = percent(mine.lost), percent(other.lost)
    if left != right and (mine.lost > other.lost) == (mine.unknown > other.unknown):
        return f"its mark is lost with {left} against {right}{_how(mine)}"
    return f"not being able to tell it weighs {_apart(mine.unknown, other.unknown)}"


def _apart(left: float, right: float) -> str:
    """Two figures with as many places as show that they differ."""
    for places in range(2, 9):
        shown = f"{left:.{places}g}", f"{right:.{places}g}"
        if shown[0] != shown[1]:
            break
    return f"{shown[0]} against {shown[1]}"


def score_words(score: Score, share: float) -> str:
    """The score as a sum that adds up, in words.

    Parameters
    ----------
    share : float
        ``Handling.lost_share``.
    """
    source = {
        "age": f"a mark {score.years:.1f} years old"
        if score.years is not None
        else "a mark of unknown age",
        "grade": "a mark of its grade",
        "photos that did not show it": "photos that did not show it",
        "seen": "it was seen lost",
    }[score.lost_from]
    basis = f"{source}, assumed curve" if score.assumed and score.lost_from != "seen" else source
    return (
        f"Score {score.score:.3g} = value {score.value:g} x ({score.taken:.3g} taken for another "
        f"+ {score.unknown:.3g} not to be told: lost {percent(score.lost)}, {basis})."
    )


def _how(score: Score) -> str:
    return " (assumed from its age)" if score.assumed and score.lost_from == "age" else ""
