"""Odds within O/0 and I/1: the fit against scikit-learn, and what must not move."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.linear_model import LogisticRegression

from legibility.alphabet import N_CLASSES, index_of
from legibility.read.reading_model import load_reading_model
from legibility.read.twins import PAIRS, RIDGE, TwinModel, fit_twins, weigh_twins

OH, ZERO, EYE, ONE = (index_of(c) for c in "O0I1")


def cells(seed: int, n: int) -> np.ndarray:
    return np.log(np.random.default_rng(seed).dirichlet(np.full(N_CLASSES, 0.3), size=n) + 1e-9)


@given(st.integers(0, 2**31), st.floats(0, 1), st.floats(0, 1))
def test_pairs_and_all_others_stay_as_probable(seed: int, first: float, second: float) -> None:
    before = cells(seed, 5)
    before -= np.logaddexp.reduce(before, axis=1, keepdims=True)
    after = weigh_twins(TwinModel((first, second)), before)
    others = [k for k in range(N_CLASSES) if k not in (OH, ZERO, EYE, ONE)]
    np.testing.assert_array_equal(after[:, others], before[:, others])
    for (a, b), exponent in (((OH, ZERO), first), ((EYE, ONE), second)):
        np.testing.assert_allclose(
            np.logaddexp(after[:, a], after[:, b]), np.logaddexp(before[:, a], before[:, b])
        )
        np.testing.assert_allclose(
            after[:, a] - after[:, b], exponent * (before[:, a] - before[:, b]), atol=1e-9
        )


def test_the_fit_is_a_logistic_regression_without_intercept() -> None:
    rng = np.random.default_rng(8)
    odds = rng.normal(0, 4, 400)
    # The reader says ``odds``; the truth follows 0.4 times that.
    first = rng.random(400) < 1 / (1 + np.exp(-0.4 * odds))
    logp = np.full((400, N_CLASSES), -12.0)
    logp[:, OH], logp[:, ZERO] = -np.logaddexp(0, -odds), -np.logaddexp(0, odds)
    fitted = fit_twins(logp, np.where(first, OH, ZERO))
    # The ridge pulls towards one: as features shifted by it, C is 1 / (2 ridge).
    reference = LogisticRegression(fit_intercept=False, C=1 / (2 * RIDGE)).fit(odds[:, None], first)
    assert fitted.exponents[0] == pytest.approx(float(reference.coef_[0, 0]), abs=1e-3)
    assert fitted.exponents[1] == pytest.approx(1.0, abs=1e-4)  # no cell shows I or 1


def test_never_surer_than_the_reader() -> None:
    logp = np.full((50, N_CLASSES), -12.0)
    logp[:, EYE], logp[:, ONE] = np.log(0.7), np.log(0.3)
    assert fit_twins(logp, np.full(50, EYE)).exponents[1] == pytest.approx(1.0, abs=1e-4)
    with pytest.raises(ValueError, match="from 0 to 1"):
        TwinModel((0.5, 1.2))


def test_the_shipped_model_trusts_neither_pair_in_full() -> None:
    assert dict(zip(PAIRS, load_reading_model().twins.exponents, strict=True))["O0"] < 0.9
