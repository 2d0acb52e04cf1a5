"""Why an animal stands where it stands: the parts of its score, and the next one beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from legibility.herd.histories import DAYS_A_YEAR
from legibility.pipeline.herd_ranking import Ranking
from legibility.pipeline.herd_state import EPOCH
from legibility.probability import percent

ALIKE = 0.02
"""Choice: parts that differ by less than this share explain nothing."""


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
    for_it: list[str] = []
    against: list[str] = []
    parts = (
        ("a mistake with it costs", mine.value, other.value, _plain),
        ("it is taken for another with", mine.taken, other.taken, percent),
        (f"its mark is lost with{_how(mine)}", mine.unknown, other.unknown, percent),
    )
    for words, a, b, shown in parts:
        if max(a, b) <= 0 or abs(a - b) <= ALIKE * max(a, b):
            continue
        left, right = (a, b) if "lost" not in words else (mine.lost, other.lost)
        if shown(left) == shown(right):
            words, left, right = "not being able to tell it counts", a, b
        (for_it if a > b else against).append(f"{words} {shown(left)} against {shown(right)}")
    because = " and ".join(for_it) or "its parts together weigh more"
    although = f", although {' and '.join(against)}" if against else ""
    return f"Before {name}: {because}{although}."


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


def _plain(value: float) -> str:
    return f"{value:g}"
