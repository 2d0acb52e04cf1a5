"""Measures of validity against worked values and two general libraries."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lir import metrics as lir_metrics
from lir.algorithms.bayeserror import elub
from lir.data.models import LLRData
from lir.plotting.expected_calibration_error import calculate_ece
from sklearn.isotonic import isotonic_regression

from legibility.evidence.validity import (
    bounds,
    cllr,
    cllr_min,
    empirical_cross_entropy,
    misleading,
    pav,
    pav_log_ratios,
    prior_entropy,
    tippett,
)

WORKED = [
    # Worked values computed from the definition of Brümmer & du Preez 2006 and with lir 1.3.1.
    ([1.0, 1.0], [1.0, 1.0], 1.0, 1.0),
    ([10.0, 100.0], [0.1, 0.01], 0.075929, 0.0),
    ([0.1], [10.0], 3.459432, 1.0),
    ([8.0, 4.0, 0.5], [0.25, 0.125, 2.0], 0.692272, 0.333333),
]


def drawn(seed: int, *, count: int = 60, mean: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    same = rng.normal(mean, 2.0, count)
    return same, rng.normal(-mean, 2.0, count + 7)


@pytest.mark.parametrize(("same", "other", "cost", "least"), WORKED)
def test_worked_values(same: list[float], other: list[float], cost: float, least: float) -> None:
    assert cllr(np.log(same), np.log(other)) == pytest.approx(cost, abs=1e-6)
    assert cllr_min(np.log(same), np.log(other)) == pytest.approx(least, abs=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_cost_agrees_with_the_library_lir(seed: int) -> None:
    same, other = drawn(seed)
    data = LLRData(
        features=np.concatenate([same, other]) / np.log(10),
        labels=np.concatenate([np.ones(len(same)), np.zeros(len(other))]),
    )
    assert cllr(same, other) == pytest.approx(lir_metrics.cllr(data), abs=1e-9)
    assert cllr_min(same, other) == pytest.approx(lir_metrics.cllr_min(data), abs=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_bounds_agree_with_the_library_lir(seed: int) -> None:
    same, other = drawn(seed, count=40 + 30 * seed, mean=0.3 + 0.6 * seed)
    low, high = elub(
        np.concatenate([same, other]) / np.log(10),
        np.concatenate([np.ones(len(same)), np.zeros(len(other))]),
    )
    found = bounds(same, other)
    assert found[0] / np.log(10) == pytest.approx(low, abs=0.0101)
    assert found[1] / np.log(10) == pytest.approx(high, abs=0.0101)


def test_n_disputes_never_support_more_than_n_plus_one() -> None:
    for count in (1, 5, 50, 500):
        low, high = bounds(np.full(count, 30.0), np.full(count, -30.0))
        assert high <= np.log(count + 1) + 0.03
        assert low >= -np.log(count + 1) - 0.03
        assert high == pytest.approx(-low, abs=0.06)


def test_misleading_data_support_no_ratio() -> None:
    assert bounds(np.full(30, -4.0), np.full(30, 4.0)) == (0.0, 0.0)


def test_pav_worked_example() -> None:
    # Isotonic regression, textbook example.
    assert pav([1, 3, 2, 4, 3, 5]).tolist() == [1, 2.5, 2.5, 3.5, 3.5, 5]


@given(st.lists(st.floats(-50, 50), min_size=1, max_size=40), st.integers(0, 2**31))
def test_pav_agrees_with_scikit_learn(values: list[float], seed: int) -> None:
    weights = np.random.default_rng(seed).uniform(0.1, 3.0, len(values))
    expected = isotonic_regression(values, sample_weight=weights)
    assert pav(values, weights) == pytest.approx(expected, abs=1e-9)


@given(st.integers(0, 2**31))
def test_recalibrated_ratios_are_monotone(seed: int) -> None:
    same, other = drawn(seed, count=25)
    first, second = pav_log_ratios(same, other)
    order = np.argsort(np.concatenate([same, other]), kind="stable")
    recalibrated = np.concatenate([first, second])[order]
    assert all(a <= b for a, b in pairwise(recalibrated))
    assert cllr(first, second) <= cllr(same, other) + 1e-12


def test_cross_entropy_at_even_prior_is_cllr() -> None:
    same, other = drawn(3)
    at_even = empirical_cross_entropy(same, other, log10_prior_odds=[0.0])
    assert at_even[0] == pytest.approx(cllr(same, other))


def test_cross_entropy_without_information_is_the_prior_entropy() -> None:
    # Entropy of a coin in bits: 1 at one half, 0.4690 at 0.1 (Cover & Thomas, from memory).
    assert prior_entropy([0.0, np.log10(0.1 / 0.9)]) == pytest.approx([1.0, 0.4690], abs=1e-4)


def test_cross_entropy_agrees_with_the_library_lir() -> None:
    same, other = drawn(11)
    priors = np.array([-2.0, -0.5, 0.0, 1.3])
    odds = 10.0**priors
    expected = calculate_ece(
        np.exp(np.concatenate([same, other])),
        np.concatenate([np.ones(len(same)), np.zeros(len(other))]),
        odds / (1 + odds),
    )
    found = empirical_cross_entropy(same, other, log10_prior_odds=priors)
    assert found == pytest.approx(np.asarray(expected), abs=1e-9)


def test_tippett_by_hand() -> None:
    curve = tippett(np.log([10.0, 100.0]), np.log([0.1, 10.0]))
    assert curve.log10_ratio == pytest.approx([-1.0, 1.0, 2.0])
    assert curve.same.tolist() == [1.0, 1.0, 0.5]
    assert curve.other.tolist() == [1.0, 0.5, 0.0]
    assert misleading(np.log([10.0, 100.0]), np.log([0.1, 10.0])) == (0, 1)


@pytest.mark.parametrize("bad", [[], [float("nan")]])
def test_nothing_and_not_a_number_are_refused(bad: list[float]) -> None:
    with pytest.raises(ValueError, match="ratio"):
        cllr(bad, [1.0])
