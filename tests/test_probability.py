"""Sums of probabilities in logarithms, against scipy.special."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.special
import scipy.stats

from legibility.probability import log_sum_exp, normalise_log


@pytest.mark.parametrize("axis", [0, 1, -1])
def test_log_sum_exp_is_that_of_scipy(axis: int) -> None:
    values = np.random.default_rng(1).normal(0, 300, (7, 5, 3))
    values[2, 1] = -np.inf
    expected = scipy.special.logsumexp(values, axis=axis, keepdims=True)
    np.testing.assert_allclose(log_sum_exp(values, axis=axis), expected, rtol=1e-12)


def test_nothing_sums_to_nothing() -> None:
    assert log_sum_exp([-np.inf, -np.inf])[0] == -np.inf


def test_far_from_zero_nothing_overflows() -> None:
    # Two equal terms: log(2 exp(x)) = x + log 2, by hand.
    np.testing.assert_allclose(log_sum_exp([1e4, 1e4]), [1e4 + np.log(2)], rtol=1e-15)
    np.testing.assert_allclose(log_sum_exp([-1e4, -1e4]), [-1e4 + np.log(2)], rtol=1e-15)


def test_normalise_log_is_log_softmax() -> None:
    values = np.random.default_rng(2).normal(0, 30, (4, 37))
    np.testing.assert_allclose(
        normalise_log(values), scipy.special.log_softmax(values, axis=-1), rtol=1e-9, atol=1e-12
    )
