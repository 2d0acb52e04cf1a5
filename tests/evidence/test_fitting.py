"""Weights against a general library; several photos of one ear by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import minimize
from sklearn.linear_model import LogisticRegression

from legibility.evidence.fitting import (
    RIDGE,
    fit_repeat,
    fit_weights,
    fit_with_constant,
    rank_weights,
)


@pytest.mark.parametrize("seed", range(4))
def test_weights_agree_with_scikit_learn(seed: int) -> None:
    x = np.random.default_rng(seed).normal(1.0, 3.0, (80, 2))
    # Without a constant and with each dispute turned round too, which halves nothing but the count.
    both, truth = np.concatenate([x, -x]), np.repeat([1, 0], len(x))
    model = LogisticRegression(fit_intercept=False, C=1 / (2 * RIDGE), tol=1e-10, max_iter=1000)
    expected = model.fit(both, truth).coef_[0]
    assert (expected >= 0).all()
    assert expected.sum() < 1
    assert fit_weights(x) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("readers", [1, 2, 3])
def test_readers_together_count_no_more_than_one_says_and_agree_with_scipy(readers: int) -> None:
    x = np.random.default_rng(readers).normal(0.5, 0.8, (60, readers))

    def loss(weights: NDArray[np.float64]) -> float:
        return float(np.logaddexp(0, -x @ weights).sum() + RIDGE * weights @ weights / 2)

    found = minimize(
        loss,
        np.full(readers, 1 / readers),
        method="SLSQP",
        bounds=[(0, None)] * readers,
        constraints=[{"type": "ineq", "fun": lambda weights: 1 - weights.sum()}],
        options={"ftol": 1e-12},
    )
    weights = fit_weights(x)
    assert weights.sum() == pytest.approx(1.0)
    assert loss(weights) <= found.fun + 1e-6
    assert weights == pytest.approx(found.x, abs=2e-3)


def test_a_reader_that_is_wrong_gets_no_weight() -> None:
    rng = np.random.default_rng(0)
    x = np.column_stack([rng.normal(2, 1, 60), rng.normal(-1, 1, 60)])
    weights = fit_weights(x)
    assert weights[1] == 0.0
    assert weights[0] == pytest.approx(fit_weights(x[:, :1])[0])


def test_counted_twice_is_the_same_as_twice_there() -> None:
    x = np.random.default_rng(3).normal(1, 2, (20, 2))
    counts = np.array([[2.0] * 5 + [1.0] * 15, [1.0] * 20])
    found = fit_weights(x, counts)
    assert found[0] == pytest.approx(fit_weights(np.concatenate([x[:5], x])), abs=1e-8)
    assert found[1] == pytest.approx(fit_weights(x), abs=1e-8)


def test_disputes_that_are_all_decided_rightly_count_what_was_said() -> None:
    assert fit_weights(np.full((30, 2), 9.0)).sum() <= 1.0
    assert fit_weights(np.full((30, 2), 0.9)).sum() == pytest.approx(1.0)


def test_constant_agrees_with_scikit_learn_where_no_bound_holds() -> None:
    rng = np.random.default_rng(5)
    true, false = rng.normal(1, 2, (90, 1)), rng.normal(-1, 3, (90, 1))
    x = np.column_stack([np.concatenate([true, false]), np.ones(180)])
    model = LogisticRegression(fit_intercept=False, C=1 / RIDGE, tol=1e-10, max_iter=1000)
    expected = model.fit(x, np.repeat([1, 0], 90)).coef_[0]
    assert 0 < expected[0] < 1
    assert fit_with_constant(true, false) == pytest.approx(expected, abs=1e-4)


def test_the_constant_counts_as_far_as_a_photo_says_something() -> None:
    rng = np.random.default_rng(6)
    true, false = rng.normal(1, 2, (90, 1)), rng.normal(-1, 3, (90, 1))
    said = rng.uniform(0.0, 1.0, 180)
    x = np.column_stack([np.concatenate([true, false]), said])
    model = LogisticRegression(fit_intercept=False, C=1 / RIDGE, tol=1e-10, max_iter=1000)
    expected = model.fit(x, np.repeat([1, 0], 90)).coef_[0]
    assert 0 < expected[0] < 1
    found = fit_with_constant(true, false, said=(said[:90], said[90:]))
    assert found == pytest.approx(expected, abs=1e-4)


def test_no_reader_counts_more_than_it_says_against_neither() -> None:
    weights = fit_with_constant(np.full((40, 2), 0.3), np.full((40, 2), -0.3))
    assert weights[:-1].sum() == pytest.approx(1.0)


@given(st.lists(st.floats(-20, 20), min_size=1, max_size=6), st.floats(0, 0.9))
def test_many_photos_are_bounded_and_silent_ones_change_nothing(
    ratios: list[float], repeat: float
) -> None:
    values = np.array(ratios)
    joint = float(rank_weights(values, repeat) @ values)
    assert abs(joint) <= np.abs(values).max() / (1 - repeat) + 1e-9
    more = np.append(values, 0.0)
    assert float(rank_weights(more, repeat) @ more) == pytest.approx(joint, abs=1e-9)


def test_photos_that_repeat_each_other_are_not_added_up() -> None:
    # Second photos that say the same: where the first misleads, so does the second.
    first = np.concatenate([np.full(90, 3.0), np.full(10, -6.0)])
    assert fit_repeat(np.column_stack([first, first])) < 0.3
    # Second photos of their own: all that say something are right.
    assert fit_repeat(np.column_stack([np.full(100, 1.0), np.full(100, 0.9)])) > 0.9
