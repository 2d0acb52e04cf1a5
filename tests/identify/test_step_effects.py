"""What steps do: measured outcomes, the herd's own records, and the file of them."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from legibility.containers import Stage
from legibility.errors import ModelError
from legibility.identify.sequence import Tempering
from legibility.identify.step_effects import (
    OTHER_HAIR,
    OWN_RECORDS,
    WIDTH_LOGIT,
    StepEffects,
    StepModel,
    StepOutcome,
    basis,
    load_step_model,
    save_step_model,
    settling_probability,
    with_own_records,
)


def test_kernel_regression_by_hand() -> None:
    """Two outcomes weigh exp(-d^2 / 2) by distance in log-odds, and two of the overall share."""
    outcomes = [StepOutcome(0.5, 0.99), StepOutcome(0.8, 0.85, hair=True)]
    far = math.log(0.8 / 0.2) / WIDTH_LOGIT
    other = OTHER_HAIR * math.exp(-0.5 * far**2)
    want = (2 * 0.5 + 1.0) / (2 + 1.0 + other)
    got = settling_probability(outcomes, before=0.5, hair=False, threshold=0.95)
    assert got == pytest.approx(want)


def test_outcomes_that_were_settled_before_say_nothing() -> None:
    settled = [StepOutcome(0.97, 0.99)] * 50
    assert settling_probability(settled, before=0.5, hair=False, threshold=0.95) == 0.0
    assert settling_probability([], before=0.5, hair=False, threshold=0.95) == 0.0
    assert 0 < settling_probability(settled, before=0.5, hair=False, threshold=0.98) < 1


def test_outcomes_that_began_near_count_most() -> None:
    mixed = [StepOutcome(0.9, 0.99)] * 30 + [StepOutcome(0.1, 0.2)] * 30
    near = settling_probability(mixed, before=0.9, hair=False, threshold=0.95)
    far = settling_probability(mixed, before=0.1, hair=False, threshold=0.95)
    assert near > 0.9
    assert far < 0.1


def test_the_herd_s_own_records_replace_the_simulated_ones_from_thirty_on() -> None:
    shipped = StepEffects({Stage.CLEANED: (StepOutcome(0.5, 0.99),) * 100})
    own = [(Stage.CLEANED, StepOutcome(0.5, 0.6))] * OWN_RECORDS
    few, said = with_own_records(shipped, own[:-1])
    assert few.outcomes[Stage.CLEANED] == shipped.outcomes[Stage.CLEANED]
    assert "fewer than 30" in said[0]
    assert basis(few, Stage.CLEANED) == "100 simulated steps"
    many, said = with_own_records(shipped, own)
    assert (
        settling_probability(many.outcomes[Stage.CLEANED], before=0.5, hair=False, threshold=0.95)
        < 0.01
    )
    assert basis(many, Stage.CLEANED) == "30 of the herd's own records"
    assert "are used" in said[0]


def test_the_file_comes_back_as_it_was(tmp_path: Path) -> None:
    outcomes = {Stage.CLIPPED: (StepOutcome(0.25, 0.75, True), StepOutcome(0.5, 0.5))}
    model = StepModel(Tempering(0.25, 0.5), StepEffects(outcomes), "by hand")
    save_step_model(model, tmp_path / "steps.json")
    assert load_step_model(tmp_path / "steps.json") == model


@pytest.mark.parametrize(
    "change",
    [
        {"repeat_exponent": 1.5},
        {"repeat_exponent": True},
        {"step_exponent": "much"},
        {"outcomes": {"shaved": []}},
        {"outcomes": {"cleaned": [[0.5, 1.5, 0]]}},
        {"outcomes": {"cleaned": [[0.5, 0.5]]}},
        {"outcomes": [1]},
    ],
)
def test_a_file_that_cannot_be_used_is_named(tmp_path: Path, change: dict[str, object]) -> None:
    path = tmp_path / "steps.json"
    good = {"origin": "x", "repeat_exponent": 0.1, "step_exponent": 0.5, "outcomes": {}}
    path.write_text(json.dumps({**good, **change}))
    with pytest.raises(ModelError, match=r"steps\.json"):
        load_step_model(path)
    path.write_text("{")
    with pytest.raises(ModelError, match=r"steps\.json"):
        load_step_model(path)
    with pytest.raises(ModelError, match=r"gone\.json"):
        load_step_model(tmp_path / "gone.json")


def test_the_shipped_file_says_where_it_is_from() -> None:
    model = load_step_model()
    assert "seed" in model.origin
    assert all(len(outcomes) >= 50 for outcomes in model.effects.outcomes.values())
    for exponent in (model.tempering.repeat, model.tempering.step):
        # Any number of further photos counts for less than one photo.
        assert 0 <= exponent < 0.5
