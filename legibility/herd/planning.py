r"""The best set of acts for one handling day.

A multiple-choice knapsack with several limits: of each animal at most one act,

.. math:: \max \sum_k g_k x_k \quad\text{s.t.}\quad \sum_k m_k x_k \le M C,\;
    \sum_k m_k h_k x_k \le M H,\; \sum_k t_k x_k \le T,\; \sum_k s_k x_k \le S,\;
    \sum_{k \in a} x_k \le 1

with gain g (expected loss avoided), minutes m, hands h, transponders t and sedation slots s, on a
day of M minutes with C chutes and H hands; animals that must be done have equality. Solved by
branch and cut (HiGHS through ``scipy.optimize.milp``), which also bounds what any plan could gain.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from legibility.errors import SettingsError

TIME_LIMIT_S: Final = 8.0
"""Contract: seconds after which the best plan so far is given, with its gap."""
WANTED_GAP: Final = 0.005
"""Choice: a plan certainly this near to the best one is good enough; minutes are guesses."""
LIMIT_REACHED: Final = 1
"""Contract: the status of scipy.optimize.milp when its time is up."""
LONGER: Final = 8.0
"""Choice: so many times longer is asked for after the solver stopped too early."""
_SLACK: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Act:
    """Something that could be done with one animal."""

    animal_id: str
    what: str
    gain: float
    """Expected loss avoided, >= 0."""
    minutes: float
    hands: int = 1
    transponders: int = 0
    sedations: int = 0


@dataclass(frozen=True, slots=True)
class Day:
    """What the day holds."""

    minutes: float
    hands: int = 1
    chutes: int = 1
    """Animals that can be worked on at the same time."""
    transponders: int = 0
    sedations: int = 0


@dataclass(frozen=True, slots=True)
class Plan:
    """Acts for a day."""

    acts: tuple[Act, ...]
    """In the order they were given."""
    gain: float
    bound: float
    """No plan can gain more."""
    gap: float
    """(bound - gain) / gain; 0 for a plan that is certainly the best."""
    considered: int
    seconds: float

    @property
    def minutes(self) -> float:
        """At the chutes, all together."""
        return sum(act.minutes for act in self.acts)

    @property
    def hand_minutes(self) -> float:
        """Of people."""
        return sum(act.minutes * act.hands for act in self.acts)

    @property
    def transponders(self) -> int:
        return sum(act.transponders for act in self.acts)

    @property
    def sedations(self) -> int:
        return sum(act.sedations for act in self.acts)


def best_plan(
    acts: Sequence[Act],
    day: Day,
    *,
    must: Collection[str] = (),
    time_limit_s: float = TIME_LIMIT_S,
    wanted_gap: float = WANTED_GAP,
) -> Plan:
    """The acts that avoid most loss within the day's limits.

    Parameters
    ----------
    acts : sequence of Act
    must : collection of str
        Animals with which one of their acts must be done.

    Raises
    ------
    SettingsError
        If an animal that must be done has no act, or the day cannot hold all of them; the message
        names the limit.
    """
    import time

    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_array

    usable = [act for act in acts if act.hands <= day.hands]
    _check_must(usable, day, must)
    if not usable:
        return Plan((), 0.0, 0.0, 0.0, len(acts), 0.0)
    start = time.perf_counter()
    animals = {name: row for row, name in enumerate(dict.fromkeys(a.animal_id for a in usable))}
    row = np.array([animals[act.animal_id] for act in usable])
    choice = coo_array(
        (np.ones(len(usable)), (row, np.arange(len(usable)))), shape=(len(animals), len(usable))
    ).tocsr()
    least = np.array([1.0 if name in must else 0.0 for name in animals])
    gain = np.array([act.gain for act in usable], dtype=np.float64)
    scale = max(float(gain.max()), 1e-300)
    limits = [
        LinearConstraint(choice, least, 1.0),
        LinearConstraint(_uses(usable), -np.inf, _limits(day)),
    ]
    told_s = time_limit_s
    while True:
        found = milp(
            -gain / scale,
            integrality=np.ones(len(usable)),
            bounds=Bounds(0, 1),
            constraints=limits,
            options={"time_limit": told_s, "mip_rel_gap": wanted_gap},
        )
        seconds = time.perf_counter() - start
        if found.status != LIMIT_REACHED or seconds >= time_limit_s:
            break
        # The solver counts by the date, which was set forward meanwhile.
        told_s *= LONGER
    if found.x is None:
        if found.status == 2:
            raise SettingsError(
                f"no plan can hold all of the {len(must)} animals that must be done: together "
                "they need more than the day has; allow more minutes, hands, transponders or "
                "sedations, or take fewer"
            )
        raise SettingsError(f"no plan was found within {time_limit_s:g} s; allow more time")
    chosen = tuple(act for act, x in zip(usable, found.x, strict=True) if x > 0.5)
    total = math.fsum(act.gain for act in chosen)
    bound = max(total, -float(found.mip_dual_bound) * scale)
    gap = (bound - total) / total if total > 0 else (0.0 if bound <= _SLACK else math.inf)
    return Plan(chosen, total, bound, gap, len(acts), seconds)


def ranked_plan(acts: Sequence[Act], day: Day, *, must: Collection[str] = ()) -> Plan:
    """What working down the list does: the first act of each animal that still fits, in order.

    Animals that must be done come first.
    """
    order = [act for act in acts if act.animal_id in must]
    order += [act for act in acts if act.animal_id not in must]
    left = _limits(day)
    done: set[str] = set()
    chosen = []
    for act, use in zip(order, _uses(order).T, strict=True):
        if act.animal_id in done or act.hands > day.hands:
            continue
        if np.all(use <= left + _SLACK):
            done.add(act.animal_id)
            left = left - use
            chosen.append(act)
    total = math.fsum(act.gain for act in chosen)
    return Plan(tuple(chosen), total, math.inf, math.nan, len(acts), 0.0)


def _uses(acts: Sequence[Act]) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """(4, acts): minutes at the chutes, minutes of people, transponders, sedations."""
    table = [
        (act.minutes, act.minutes * act.hands, float(act.transponders), float(act.sedations))
        for act in acts
    ]
    return np.array(table, dtype=np.float64).reshape(-1, 4).T


def _limits(day: Day) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array(
        [
            day.minutes * day.chutes,
            day.minutes * day.hands,
            float(day.transponders),
            float(day.sedations),
        ]
    )


def _check_must(acts: Sequence[Act], day: Day, must: Collection[str]) -> None:
    """Name what a day obviously lacks for the animals that must be done."""
    names = ("minutes at the chute", "minutes of people", "transponders", "sedation slots")
    least: dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]] = {}
    for act, use in zip(acts, _uses(acts).T, strict=True):
        if act.animal_id in must:
            known = least.get(act.animal_id, use)
            least[act.animal_id] = np.minimum(known, use)
    missing = sorted(set(must) - set(least))
    if missing:
        raise SettingsError(
            f"nothing can be done with {missing[0]!r}, which must be done: it is not in the "
            "record, or every act takes more hands than there are"
        )
    if not least:
        return
    needed = np.sum(list(least.values()), axis=0)
    for name, need, limit in zip(names, needed, _limits(day), strict=True):
        if need > limit + _SLACK:
            raise SettingsError(
                f"the {len(least)} animals that must be done need at least {need:g} {name}, the "
                f"day has {limit:g}; allow more or take fewer"
            )
