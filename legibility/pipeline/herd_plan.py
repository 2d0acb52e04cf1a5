"""``legibility plan``: the acts of one handling day, beside what working down the list would do."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np

from legibility.herd import handling as h
from legibility.herd.planning import Act, Day, Plan, best_plan, ranked_plan
from legibility.pipeline.herd_ranking import Ranking
from legibility.pipeline.worklist_items import WorkItem, warning_of, work_items

ANIMALS: Final = 700
"""Choice: only so many animals, those with the largest expected loss, are looked at: about 2,000
acts. A day holds far fewer."""


@dataclass(frozen=True, slots=True)
class PlannedAct:
    """One animal of the day."""

    item: WorkItem
    what: str
    minutes: float
    hands: int
    gain: float
    """Expected loss avoided."""
    must: bool
    sedated: bool
    """Sedated for another reason, so that its mark is read then."""


@dataclass(frozen=True, slots=True)
class DayPlan:
    """The best acts for a day, and those of the plain list."""

    day: Day
    acts: tuple[PlannedAct, ...]
    """By expected loss."""
    gain: float
    bound: float
    """No plan can avoid more."""
    gap: float
    seconds: float
    considered: int
    """Acts that were looked at."""
    minutes: float
    hand_minutes: float
    transponders: int
    sedations: int
    ranked_gain: float
    """What working down the ranked list avoids, within the same limits."""
    ranked_acts: int
    basis: tuple[str, ...]
    today: str

    def record(self) -> dict[str, Any]:
        """As JSON."""
        return asdict(self)


def plan_day(
    ranking: Ranking,
    day: Day,
    *,
    must: Collection[str] = (),
    sedated: Collection[str] = (),
    animals: int = ANIMALS,
) -> DayPlan:
    """Choose what to do on a day.

    Parameters
    ----------
    must : collection of str
        Animals with which something must be done.
    sedated : collection of str
        Animals that are sedated for another reason; their marks are read then, and each takes one
        sedation slot.

    Raises
    ------
    SettingsError
        If the day cannot hold what must be done.
    """
    needed = {*must, *sedated}
    acts = day_acts(ranking, animals=animals, also=must, sedated=sedated)
    best = best_plan(acts, day, must=needed)
    plain = ranked_plan(acts, day, must=needed)
    place = {str(name): at for at, name in enumerate(ranking.state.animal)}
    found = ranking.found.loss
    chosen = sorted(best.acts, key=lambda act: -found[place[act.animal_id]])
    items = work_items(ranking, [place[act.animal_id] for act in chosen])
    return DayPlan(
        day=day,
        acts=tuple(
            PlannedAct(
                replace(item, warning=warning_of(act.what)),
                act.what,
                act.minutes,
                act.hands,
                act.gain,
                act.animal_id in must,
                act.animal_id in sedated,
            )
            for act, item in zip(chosen, items, strict=True)
        ),
        gain=best.gain,
        bound=best.bound,
        gap=best.gap,
        seconds=best.seconds,
        considered=best.considered,
        **_used(best),
        ranked_gain=plain.gain,
        ranked_acts=len(plain.acts),
        basis=(
            *ranking.basis,
            "Minutes, people and what each act leaves of the loss are assumptions unless your file "
            "of costs says otherwise.",
        ),
        today=ranking.today.isoformat(),
    )


def _used(plan: Plan) -> dict[str, Any]:
    return {
        "minutes": plan.minutes,
        "hand_minutes": plan.hand_minutes,
        "transponders": plan.transponders,
        "sedations": plan.sedations,
    }


def day_acts(
    ranking: Ranking, *, animals: int, also: Collection[str], sedated: Collection[str]
) -> list[Act]:
    """What could be done on a day, by expected loss; of each animal the advised act first.

    Parameters
    ----------
    animals : int
        Only so many are looked at.
    also : collection of str
        Animals that are looked at in any case.
    sedated : collection of str
        Animals that are sedated for another reason: each of their acts includes reading the
        mark and one sedation slot.
    """
    wanted = set(also) | set(sedated)
    chosen = [
        int(place)
        for rank, place in enumerate(ranking.order)
        if (rank < animals and ranking.found.loss[place] > 0)
        or str(ranking.state.animal[place]) in wanted
    ]
    out: list[Act] = []
    for place in chosen:
        name = str(ranking.state.animal[place])
        out += _acts_of(ranking, place, name, is_sedated=name in sedated)
    return out


def _acts_of(ranking: Ranking, place: int, name: str, *, is_sedated: bool) -> Iterator[Act]:
    state, loss = ranking.state, float(ranking.found.loss[place])
    reading = ranking.handling.acts[h.SECOND_READING]
    # Nothing more is read from a lost mark, unless the animal lies there anyway.
    is_lost = not np.isnan(state.first_lost[place])
    in_doubt = not is_lost and not np.isnan(state.not_seen[place])
    possible = [] if is_lost else [h.PHOTOGRAPH]
    if is_sedated or not is_lost:
        possible.append(h.SECOND_READING)
    # Only what is known to be wrong is marked anew, not a mark that was not seen or looked at.
    if not state.has_chip[place] and not in_doubt:
        possible.append(h.TRANSPONDER)
    if ranking.found.anew[place]:
        possible.append(h.OTHER_EAR if state.ears_taken[place] < 2 else h.IN_LINE)
    advised = str(ranking.found.act[place])
    leaves = {what: ranking.handling.acts[what].leaves for what in possible}
    for what in sorted(possible, key=lambda each: (each != advised, leaves[each])):
        cost = ranking.handling.acts[what]
        if not is_sedated:
            yield Act(
                name, what, loss * (1 - cost.leaves), cost.minutes, cost.hands,
                cost.transponders, int(cost.sedation),
            )  # fmt: skip
        elif what == h.SECOND_READING:
            yield Act(name, what, loss * (1 - cost.leaves), cost.minutes, cost.hands, 0, 1)
        elif what != h.PHOTOGRAPH:
            yield Act(
                name, f"{h.SECOND_READING}, {what}", loss * (1 - cost.leaves * reading.leaves),
                cost.minutes + reading.minutes, max(cost.hands, reading.hands),
                cost.transponders, 1,
            )  # fmt: skip
