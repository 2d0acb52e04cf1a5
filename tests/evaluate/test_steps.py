"""What the stop rule saves, on sequences whose costs and errors are counted by hand."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.containers import Stage
from legibility.evaluate.fit_steps import FIT_SETTINGS, fit_step_model, random_step
from legibility.evaluate.sequences import (
    HERD,
    ReadSequence,
    ReadStage,
    herd_registry,
    read_sequence,
    simulated_ear,
)
from legibility.evaluate.steps import (
    Moment,
    compare,
    policy,
    saved_at_equal_error,
    stopped,
    table,
)
from legibility.identify.sequence import PhotoEvidence

SURE = [Moment(0.5, 0.97, True), Moment(1.5, 0.99, True), Moment(3.5, 0.99, True)]
LATE = [Moment(0.5, 0.4, False), Moment(1.5, 0.96, True), Moment(3.5, 0.97, True)]
NEVER = [Moment(0.5, 0.4, False), Moment(1.5, 0.5, False), Moment(3.5, 0.6, False)]
WRONG = [Moment(0.5, 0.96, False), Moment(1.5, 0.9, True), Moment(3.5, 0.93, True)]


def test_where_the_stop_rule_ends() -> None:
    assert [stopped(s, 0.95) for s in (SURE, LATE, NEVER, WRONG)] == [0, 1, 2, 0]
    assert stopped(WRONG, 0.97) == 2


def test_costs_and_errors_by_hand() -> None:
    known = [SURE, LATE, NEVER, WRONG]
    every = policy("every step", 1.0, known, [2, 2, 2, 2])
    rule = policy("stop when settled", 0.95, known, [0, 1, 2, 0])
    strict = policy("stop when settled", 0.97, known, [0, 2, 2, 2])
    assert (every.minutes_mean, every.settled, every.wrong) == (3.5, 2, 1)
    assert (rule.minutes_mean, rule.settled, rule.settled_wrong, rule.wrong) == (1.5, 3, 1, 2)
    assert strict.minutes_mean == pytest.approx((0.5 + 3.5 * 3) / 4)
    best, saved = saved_at_equal_error([every, rule, strict])
    assert (best, saved) == (strict, pytest.approx(0.75))
    assert saved_at_equal_error([every, rule]) is None
    assert "saves 0.75 of 3.50 minutes" in table([every, rule, strict])


def synthetic(rng: np.random.Generator, truth: int) -> ReadSequence:
    """Photos of an ear where only cleaning helps."""
    stages, clean = [], False
    order = [Stage.AS_FOUND, *(list(Stage)[1:][k] for k in rng.permutation(4))]
    for stage in order:
        clean = clean or stage is Stage.CLEANED
        ratio = rng.normal(0, 0.3, HERD + 1)
        ratio[truth] += 12.0 if clean else 0.5
        stages.append(ReadStage(PhotoEvidence(ratio, "", stage), False))
    first = stages[0].evidence.log_ratio
    again = tuple(
        ReadStage(PhotoEvidence(first + rng.normal(0, 0.01, HERD + 1)), False) for _ in range(2)
    )
    return ReadSequence(truth, tuple(stages), again)


def test_the_fit_finds_the_step_that_helps() -> None:
    rng = np.random.default_rng(2)
    sequences = [synthetic(rng, int(rng.integers(HERD))) for _ in range(20)]
    model = fit_step_model(sequences, seed=1, settings=FIT_SETTINGS, origin="synthetic")
    helped = {
        stage: np.mean([o.after >= 0.95 for o in outcomes if o.before < 0.95])
        for stage, outcomes in model.effects.outcomes.items()
    }
    assert helped[Stage.CLEANED] > 0.9
    assert max(share for stage, share in helped.items() if stage is not Stage.CLEANED) < 0.1
    assert sum(map(len, model.effects.outcomes.values())) == 20 * 4
    figures = compare(sequences, seed=1)
    assert figures[0].minutes_mean == pytest.approx(8.0)
    assert figures[0].photos_mean == 5.0


def test_steps_come_in_an_order_of_their_own_and_end() -> None:
    rng, orders = np.random.default_rng(0), set()
    for _ in range(20):
        read: tuple[ReadStage, ...] = (ReadStage(PhotoEvidence(np.zeros(3)), False),)
        while (stage := random_step(read, rng)) is not None:
            read += (ReadStage(PhotoEvidence(np.zeros(3), "", stage), False),)
        assert len({shot.evidence.stage for shot in read}) == 5
        orders.add(tuple(shot.evidence.stage for shot in read))
    assert len(orders) > 5


def test_ears_depend_on_seed_and_number_and_a_tenth_are_strangers() -> None:
    assert simulated_ear(3, seed=9) == simulated_ear(3, seed=9)
    strangers = [ear for k in range(40) if (ear := simulated_ear(k, seed=9)).truth == HERD]
    assert 1 <= len(strangers) <= 11  # Binomial(40, 0.1): beyond 11 once in 2,000
    assert all(not herd_registry(9).find(ear.scene.mark) for ear in strangers)


def test_a_rendered_ear_is_read() -> None:
    found = read_sequence(2, seed=9, settings=FIT_SETTINGS, next_stage=lambda read, rng: None)
    assert [shot.evidence.stage for shot in found.stages] == [Stage.AS_FOUND]
    assert found.stages[0].evidence.log_ratio.shape == (HERD + 1,)
    assert np.isfinite(found.stages[0].evidence.log_ratio).all()
