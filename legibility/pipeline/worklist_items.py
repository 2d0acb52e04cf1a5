"""Animals of the worklist: the facts, a sentence of reasons, and what may be taken for them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from legibility.herd import handling as h
from legibility.pipeline.herd_ranking import Ranking
from legibility.pipeline.herd_state import EPOCH, day_of, day_text
from legibility.pipeline.mark_risks import level_of_grade
from legibility.pipeline.worklist_reasons import Score, score_of, score_words
from legibility.probability import percent
from legibility.risk.explain import SAME_MARK, Explainer
from legibility.risk.kernel import load_kernel
from legibility.risk.misreading import Errors, channel
from legibility.store.columns import CLIPPED

FAR_DAYS: Final = 36_525
"""Choice: what is a hundred years away gets no date."""
WARNING_IN_LINE: Final = (
    "Re-marking over or beside an old mark is hard to align and may be forbidden: ask the "
    "authority that keeps the registry first."
)
WARNING_MARK: Final = (
    "Ask the authority that keeps the registry before an animal is marked anew; the veterinarian "
    "decides."
)


@dataclass(frozen=True, slots=True)
class RivalShown:
    """Another animal that one may be taken for."""

    animal_id: str
    mark: str
    probability: float
    how: str


@dataclass(frozen=True, slots=True)
class WorkItem:
    """One animal of the worklist."""

    rank: int
    animal_id: str
    mark: str
    ear: str
    p_taken: float
    """Probability of being taken for another animal at the next handling."""
    p_lost: float
    """Probability that the mark is lost by then."""
    cost: float
    loss: float
    """Expected cost."""
    act: str
    last_date: str
    """By when; empty for no date."""
    overdue: bool
    reason: str
    rivals: tuple[RivalShown, ...]
    grade: float | None
    last_seen: str
    sightings: int
    has_chip: bool
    seen: bool
    """Whether the mark was ever seen usable or lost; else ``p_lost`` is a guess from its age."""
    not_seen: str
    """Day of the last photo that did not show the mark, where nothing settled that since; or
    empty."""
    score: Score
    """Parts of ``loss``."""
    score_words: str
    warning: str = ""
    before: str = ""
    """Why it comes before the animal of the next rank; empty for the last one of all."""


def work_items(ranking: Ranking, animals: Sequence[int]) -> Iterator[WorkItem]:
    """Items of some animals, by their index, ranked in the order given."""
    for rank, place in enumerate(animals, start=1):
        yield _item(ranking, rank, int(place))


def _item(ranking: Ranking, rank: int, place: int) -> WorkItem:
    state, found, today = ranking.state, ranking.found, ranking.today
    day = float(found.last_day[place])
    never = math.isnan(day) or day > (today - EPOCH).days + FAR_DAYS
    last = None if never else day_of(day)
    act = str(found.act[place])
    grade = float(state.grade[place])
    rivals = tuple(_rivals(ranking, place))
    score = score_of(ranking, place)
    return WorkItem(
        rank=rank,
        animal_id=str(state.animal[place]),
        mark=str(state.mark[place]),
        ear=str(state.ear[place]),
        p_taken=float(found.p_taken[place]),
        p_lost=float(found.p_lost[place]),
        cost=float(ranking.cost[place]),
        loss=float(found.loss[place]),
        act=act,
        last_date="" if last is None else max(last, today).isoformat(),
        overdue=last is not None and last < today,
        reason=_reason(ranking, place, rivals),
        rivals=rivals,
        grade=None if math.isnan(grade) else grade,
        last_seen=day_text(np.fmax(state.last_usable[place], state.first_lost[place])),
        sightings=int(state.sightings[place]),
        has_chip=bool(state.has_chip[place]),
        seen=bool(state.sightings[place]),
        not_seen=day_text(state.not_seen[place]),
        score=score,
        score_words=score_words(score, ranking.handling.lost_share),
        warning=warning_of(act),
    )


def _rivals(ranking: Ranking, place: int) -> Iterator[RivalShown]:
    state = ranking.state
    mark = str(state.mark[place])
    (level,) = level_of_grade(state.grade[place : place + 1])
    for other, chance in zip(state.rival[place], state.rival_probability[place], strict=True):
        if other >= 0:
            rival = str(state.mark[other])
            how = SAME_MARK if rival == mark else _explainer(float(level)).words(mark, rival)
            yield RivalShown(str(state.animal[other]), rival, float(chance), how)


@cache
def _explainer(level: float) -> Explainer:
    return Explainer(channel(load_kernel().at(level), Errors()))


def _reason(ranking: Ranking, place: int, rivals: Sequence[RivalShown]) -> str:
    """One sentence: what was seen, who it would be taken for, how long it will last."""
    state, found = ranking.state, ranking.found
    parts = []
    grade = float(state.grade[place])
    two_ears = state.ears_taken[place] > 1 and state.ear[place] in ("left", "right")
    if not state.mark[place]:
        parts.append("no mark is recorded")
    elif not np.isnan(state.first_lost[place]):
        where = f" in the {state.ear[place]} ear" if two_ears else ""
        lost = day_of(float(state.first_lost[place]))
        parts.append(f"the mark{where} was seen lost on {lost}")
    elif state.sightings[place] == 0 and two_ears:
        parts.append(f"the mark in the {state.ear[place]} ear was never judged")
    elif state.sightings[place] == 0 and np.isnan(state.not_seen[place]):
        photos = int(state.photos[place])
        parts.append(
            f"none of {photos} photos could judge the mark" if photos else "never photographed"
        )
    elif state.sightings[place]:
        seen = day_of(float(state.last_usable[place]))
        where = f"the mark in the {state.ear[place]} ear was " if two_ears else ""
        parts.append(f"{where}last seen usable on {seen}")
        if not math.isnan(grade):
            parts.append(f"grade {grade:.1f}")
    missed = float(state.not_seen[place])
    if not math.isnan(missed):
        step = _step(int(state.not_seen_good[place]))
        parts.append(f"not seen on {day_of(missed)}: {step} before more is done")
    if state.contradicted[place]:
        parts.append("its newest reading named another animal")
    if rivals and rivals[0].probability >= ranking.handling.worth_naming:
        first = rivals[0]
        parts.append(f"{percent(first.probability)} of readings end at {first.animal_id}")
    if np.isnan(state.first_lost[place]) and state.mark[place]:
        chance = percent(float(found.p_lost[place]))
        guessed = found.assumed[place] and state.sightings[place] == 0
        guess = " (assumed from its age)" if guessed else ""
        parts.append(f"lost by {ranking.ahead} with {chance}{guess}")
    if not state.has_chip[place]:
        parts.append("no transponder")
    text = ", ".join(parts)
    return text[0].upper() + text[1:] + "."


def _step(prepared: int) -> str:
    """What comes before the next photo of a mark that was not seen."""
    if prepared == CLIPPED:
        return "light the ear from behind and photograph it once more, or look by eye,"
    return f"{'clip' if prepared else 'clean and clip'} the ear and photograph it again"


def warning_of(act: str) -> str:
    """What has to be said with an act that marks the animal anew; empty for others."""
    if h.IN_LINE in act:
        return WARNING_IN_LINE
    return WARNING_MARK if h.OTHER_EAR in act else ""
