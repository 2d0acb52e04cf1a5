"""Plans against knapsacks with known optimum, brute force, and their own limits."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pytest
from scipy.optimize import OptimizeResult, milp

from legibility.errors import SettingsError
from legibility.herd.planning import Act, Day, best_plan, ranked_plan

# Instances P01 and P07 of J. Burkardt's collection KNAPSACK_01 (the latter from Kreher & Stinson,
# Combinatorial Algorithms, 1999), from memory; the optimum is computed anew below.
KNAPSACKS = [
    (
        165,
        (23, 31, 29, 44, 53, 38, 63, 85, 89, 82),
        (92, 57, 49, 68, 60, 43, 67, 84, 87, 72),
        309,
    ),
    (
        750,
        (70, 73, 77, 80, 82, 87, 90, 94, 98, 106, 110, 113, 115, 118, 120),
        (135, 139, 149, 150, 156, 163, 173, 184, 192, 201, 210, 214, 221, 229, 240),
        1458,
    ),
]


def by_dynamic_programme(capacity: int, weights: tuple[int, ...], values: tuple[int, ...]) -> int:
    best = [0] * (capacity + 1)
    for weight, value in zip(weights, values, strict=True):
        for room in range(capacity, weight - 1, -1):
            best[room] = max(best[room], best[room - weight] + value)
    return best[capacity]


@pytest.mark.parametrize(("capacity", "weights", "values", "optimum"), KNAPSACKS)
def test_knapsacks_with_known_optimum(
    capacity: int, weights: tuple[int, ...], values: tuple[int, ...], optimum: int
) -> None:
    assert by_dynamic_programme(capacity, weights, values) == optimum
    acts = [Act(f"{i}", "x", v, w) for i, (w, v) in enumerate(zip(weights, values, strict=True))]
    found = best_plan(acts, Day(capacity), wanted_gap=0.0)
    assert found.gain == pytest.approx(optimum)
    assert found.gap == pytest.approx(0.0, abs=1e-9)
    assert found.minutes <= capacity


def small(seed: int) -> tuple[list[Act], Day]:
    rng = np.random.default_rng(seed)
    acts = [
        Act(
            f"animal {i // 2}",
            f"act {i % 2}",
            float(rng.integers(1, 20)),
            float(rng.integers(1, 9)),
            hands=int(rng.integers(1, 3)),
            transponders=int(rng.integers(0, 2)),
            sedations=int(rng.integers(0, 2)),
        )
        for i in range(12)
    ]
    return acts, Day(14, hands=2, chutes=1, transponders=2, sedations=2)


@pytest.mark.parametrize("seed", range(6))
def test_the_best_of_all_plans(seed: int) -> None:
    acts, day = small(seed)
    best = -1.0
    for choice in product((0, 1, 2), repeat=6):
        chosen = [acts[2 * animal + act - 1] for animal, act in enumerate(choice) if act]
        if choice[0] and (
            sum(a.minutes for a in chosen) <= day.minutes
            and sum(a.minutes * a.hands for a in chosen) <= day.minutes * day.hands
            and sum(a.transponders for a in chosen) <= day.transponders
            and sum(a.sedations for a in chosen) <= day.sedations
        ):
            best = max(best, sum(a.gain for a in chosen))
    found = best_plan(acts, day, must={"animal 0"}, wanted_gap=0.0)
    assert found.gain == pytest.approx(best)
    plain = ranked_plan(acts, day, must={"animal 0"})
    assert plain.gain <= found.gain + 1e-9
    for plan in (found, plain):
        assert plan.minutes <= day.minutes
        assert plan.hand_minutes <= day.minutes * day.hands
        assert plan.transponders <= day.transponders
        assert plan.sedations <= day.sedations
        assert len({act.animal_id for act in plan.acts}) == len(plan.acts)
        assert "animal 0" in {act.animal_id for act in plan.acts}


def test_two_thousand_acts_within_the_gap() -> None:
    rng = np.random.default_rng(1)
    acts = [
        Act(
            f"animal {i // 4}",
            str(i % 4),
            float(rng.exponential()),
            float((2, 3, 4, 8)[i % 4]),
            (1, 1, 2, 2)[i % 4],
            int(i % 4 == 2),
        )
        for i in range(2000)
    ]
    found = best_plan(acts, Day(180, 2, 1, 25), time_limit_s=600)
    assert found.considered == 2000
    assert found.gap <= 0.01
    assert found.bound >= found.gain


def test_a_clock_that_is_set_while_a_plan_is_sought(monkeypatch: pytest.MonkeyPatch) -> None:
    """HiGHS counts its limit of time by the date; here that runs a million times too fast."""
    acts = [Act(f"animal {i}", "x", 1.0 + i % 7, 2.0 + i % 5) for i in range(60)]
    asked: list[float] = []

    def hurried(*arguments: Any, options: dict[str, float], **others: Any) -> OptimizeResult:
        asked.append(options["time_limit"])
        less = {**options, "time_limit": options["time_limit"] / 1e6}
        return milp(*arguments, options=less, **others)

    wanted = best_plan(acts, Day(40), time_limit_s=300)
    monkeypatch.setattr("scipy.optimize.milp", hurried)
    assert best_plan(acts, Day(40), time_limit_s=300).gain == pytest.approx(wanted.gain)
    assert len(asked) > 1


@pytest.mark.parametrize(
    ("day", "must", "reason"),
    [
        (Day(5), {"a", "b"}, "need at least 8 minutes at the chute, the day has 5"),
        (Day(50), {"a", "c"}, "need at least 1 transponders, the day has 0"),
        (Day(50), {"gone"}, "nothing can be done with 'gone'"),
        (Day(50, hands=1, transponders=1), {"d"}, "takes more hands"),
    ],
)
def test_days_that_cannot_hold_what_must_be_done(day: Day, must: set[str], reason: str) -> None:
    acts = [
        Act("a", "x", 1.0, 4),
        Act("b", "x", 1.0, 4),
        Act("c", "x", 1.0, 4, transponders=1),
        Act("d", "x", 1.0, 4, hands=2),
    ]
    with pytest.raises(SettingsError, match=reason):
        best_plan(acts, day, must=must)


def test_together_too_much_for_the_day() -> None:
    # Each limit alone could be kept by one act of each animal, both together cannot.
    acts = [
        Act("a", "slow", 1.0, 8),
        Act("a", "chip", 1.0, 2, transponders=1),
        Act("b", "slow", 1.0, 8),
        Act("b", "chip", 1.0, 2, transponders=1),
    ]
    with pytest.raises(SettingsError, match="no plan can hold all of the 2 animals"):
        best_plan(acts, Day(9, transponders=1), must={"a", "b"})


def test_nothing_to_do() -> None:
    assert best_plan([], Day(60)).acts == ()
