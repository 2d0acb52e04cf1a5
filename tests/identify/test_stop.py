"""The stop rule: never past the budget, never against a settled identity, best order of steps."""

from __future__ import annotations

from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from legibility.containers import Stage, Verdict
from legibility.identify.stages import DEFER, STEPS, minutes_of, minutes_spent, stage_of
from legibility.identify.step_effects import StepEffects, StepOutcome
from legibility.identify.stop import advise
from legibility.settings import Settings


def effects(**shares: int) -> StepEffects:
    """Out of a hundred ears at 0.5, so many are settled by a step."""
    return StepEffects(
        {
            Stage(name): tuple(StepOutcome(0.5, 0.99 if k < share else 0.6) for k in range(100))
            for name, share in shares.items()
        }
    )


USUAL = effects(cleaned=40, clipped=30, lit_from_behind=20, other_angle=25)


def advice(probability=0.5, *, done=(Stage.AS_FOUND,), spent=0.5, known=USUAL, **changed):
    return advise(
        probability,
        done=done,
        minutes_spent=spent,
        hair=False,
        effects=known,
        settings=Settings(**changed),
    )


def test_a_settled_identity_ends_handling() -> None:
    got = advice(0.96)
    assert got.verdict is Verdict.SETTLED
    assert "stop handling" in got.reason
    assert advice(0.96, identified_probability=0.99).verdict is Verdict.STEP


def test_the_step_that_settles_most_by_the_minute_is_next() -> None:
    got = advice()  # 0.40 / 2, 0.30 / 3, 0.20 / 1.5, 0.25 / 1
    assert [worth.stage for worth in got.steps] == [
        Stage.OTHER_ANGLE,
        Stage.CLEANED,
        Stage.LIT_FROM_BEHIND,
        Stage.CLIPPED,
    ]
    assert got.steps[0].settles == pytest.approx(0.25, abs=0.01)
    assert "25%" in got.reason
    assert "100 simulated steps" in got.reason


def test_this_order_has_the_least_expected_time() -> None:
    """All orders by enumeration: minutes until the first success, or all of them."""
    chances = {Stage.CLEANED: 0.4, Stage.CLIPPED: 0.3, Stage.LIT_FROM_BEHIND: 0.2}
    chances[Stage.OTHER_ANGLE] = 0.25

    def expected(order: tuple[Stage, ...]) -> float:
        total, open_still = 0.0, 1.0
        for stage in order:
            total += open_still * minutes_of(stage, Settings())
            open_still *= 1 - chances[stage]
        return total

    best = min(permutations(STEPS), key=expected)
    assert best == tuple(worth.stage for worth in advice().steps)


def test_past_the_budget_the_advice_is_to_stop_and_mark_otherwise() -> None:
    for spent in (10.0, 11.0, 500.0):
        got = advice(spent=spent)
        assert got.verdict is Verdict.STOP
        assert "Stop handling" in got.reason
        assert "marked otherwise" in got.reason
        assert "attending veterinarian" in got.reason
    assert advice(spent=0.0, handling_budget_min=0.0).verdict is Verdict.STOP


@hypothesis_settings(deadline=None)
@given(
    st.floats(0, 1),
    st.floats(0, 30),
    st.floats(0, 30),
    st.sets(st.sampled_from(list(Stage))),
    st.sampled_from([USUAL, StepEffects(), effects(cleaned=100)]),
)
def test_no_step_is_ever_advised_that_does_not_fit_or_was_done(
    probability, spent, budget, done, known
) -> None:
    got = advice(probability, done=done, spent=spent, known=known, handling_budget_min=budget)
    if got.verdict is Verdict.STEP:
        assert spent + got.steps[0].minutes <= budget + 1e-6
        assert got.steps[0].stage not in done
        assert got.steps[0].settles >= 0.05
    for word in ("sedat", "restrain", "anaesth", "hold the animal longer", "prolong"):
        assert word not in got.reason.lower()


def test_a_step_that_no_longer_fits_gives_way_to_one_that_does() -> None:
    got = advice(spent=9.2, known=effects(cleaned=90, other_angle=0), step_least_probability=0.01)
    assert got.verdict is Verdict.STOP
    got = advice(spent=9.0, known=effects(cleaned=90, other_angle=10))
    assert got.steps[0].stage is Stage.OTHER_ANGLE
    assert got.verdict is Verdict.STEP


def test_what_is_not_worth_its_minutes_or_was_never_measured_is_not_advised() -> None:
    assert advice(known=StepEffects()).verdict is Verdict.STOP
    assert "worth" in advice(known=effects(cleaned=1)).reason
    assert "Every step" in advice(done=tuple(Stage)).reason


def test_stages_are_understood_as_people_write_them() -> None:
    assert stage_of("Lit from behind") is Stage.LIT_FROM_BEHIND
    assert stage_of(" as-found ") is Stage.AS_FOUND
    assert stage_of("other_angle") is Stage.OTHER_ANGLE
    assert stage_of("shaved") is None
    assert stage_of("") is None


def test_minutes_add_up_and_a_stage_counts_once() -> None:
    taken = [Stage.AS_FOUND, Stage.CLEANED, Stage.CLEANED]
    assert minutes_spent(taken, Settings()) == pytest.approx(2.5)


def test_the_caution_defers_to_the_veterinarian() -> None:
    assert "attending veterinarian to decide" in DEFER
    assert "no photo is a reason to prolong" in DEFER
