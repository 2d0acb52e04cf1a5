"""``legibility plan``: the acts of one handling day, beside what working down the list would do."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

from legibility.herd.planning import Day, Plan, best_plan, ranked_plan
from legibility.pipeline.herd_worklist import Ranking, WorkItem, warning_of

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
    acts = ranking.acts(animals=animals, also=must, sedated=sedated)
    best = best_plan(acts, day, must=needed)
    plain = ranked_plan(acts, day, must=needed)
    place = {str(name): at for at, name in enumerate(ranking.state.animal)}
    found = ranking.found.loss
    chosen = sorted(best.acts, key=lambda act: -found[place[act.animal_id]])
    items = ranking.items([place[act.animal_id] for act in chosen])
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
