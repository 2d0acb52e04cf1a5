"""Sums of probabilities in logarithms, against scipy.special."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.special
import scipy.stats

from legibility.probability import entropy_bits, log_sum_exp, normalise_log, temper


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


def test_temper_keeps_the_order_and_softens() -> None:
    logp = normalise_log([2.0, 1.0, -3.0])
    softer = temper(logp, temperature=2.0)
    assert list(np.argsort(softer)) == list(np.argsort(logp))
    assert entropy_bits(softer) > entropy_bits(logp)
    np.testing.assert_allclose(temper(logp, temperature=1.0), logp, atol=1e-12)
    with pytest.raises(ValueError, match="expected a positive number"):
        temper(logp, temperature=0.0)


def test_entropy_is_that_of_scipy_and_of_a_fair_die() -> None:
    weights = np.random.default_rng(3).dirichlet(np.ones(37))
    np.testing.assert_allclose(
        entropy_bits(np.log(weights)), scipy.stats.entropy(weights, base=2), rtol=1e-12
    )
    # Eight equal sides: three bits.
    np.testing.assert_allclose(entropy_bits(np.log(np.full(8, 1 / 8))), 3.0)
    assert entropy_bits(normalise_log([0.0, -np.inf])) == 0.0
