"""Calibration: scikit-learn's curves and losses as oracles, promises on synthetic readings."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.testing import assert_allclose
from scipy.special import log_softmax, softmax
from scipy.stats import binom
from sklearn.calibration import calibration_curve
from sklearn.isotonic import IsotonicRegression
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import log_loss

from legibility.evaluate.reliability import ece
from legibility.read.calibration import (
    LEAST_DOUBT,
    NEUTRAL,
    Calibration,
    apply,
    fit_calibration,
)

CLASSES = np.arange(37)


def _readings(
    rng: np.random.Generator, n: int, *, slips: float = 0.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Scores 1 to 4 times too sure, the more so the poorer the cell; truth drawn from the honest
    distribution, and for a share ``slips`` from anywhere."""
    condition = rng.random(n)
    honest = log_softmax(rng.normal(size=(n, 37)) * (1 + 3 * condition)[:, None], axis=1)
    p = np.exp(honest)
    truth = (p.cumsum(axis=1) < rng.random(n)[:, None]).sum(axis=1).clip(0, 36)
    slipped = rng.random(n) < slips
    truth[slipped] = rng.integers(0, 37, slipped.sum())
    return honest * (4 - 3 * condition)[:, None], truth, condition


def _ece(logp: np.ndarray, truth: np.ndarray) -> float:
    return ece(np.exp(logp.max(axis=1)), logp.argmax(axis=1) == truth, bins=15)


def test_overconfident_readings_become_honest_on_new_cells() -> None:
    rng = np.random.default_rng(11)
    calibration = fit_calibration(*_readings(rng, 4000))
    scores, truth, condition = _readings(rng, 20000)
    before = log_softmax(scores, axis=1)
    after = apply(calibration, scores, condition)
    assert _ece(before, truth) > 0.2
    assert _ece(after, truth) < 0.02
    assert log_loss(truth, np.exp(after), labels=CLASSES) < log_loss(
        truth, np.exp(before), labels=CLASSES
    )
    # scikit-learn's reliability curve of the best character: near the diagonal everywhere.
    right, said = calibration_curve(
        after.argmax(axis=1) == truth, np.exp(after.max(axis=1)), n_bins=8, strategy="quantile"
    )
    assert np.abs(right - said).max() < 0.05
    # An isotonic fit (scikit-learn) finds almost nothing left to mend.
    said, hit = np.exp(after.max(axis=1)), (after.argmax(axis=1) == truth).astype(float)
    mended = IsotonicRegression(out_of_bounds="clip").fit(said, hit).predict(said)
    assert np.mean((mended - said) ** 2) < 1e-3


def test_temperatures_follow_the_condition() -> None:
    """Made with T = 4 - 3 condition; fitted knots must lie near that line."""
    calibration = fit_calibration(*_readings(np.random.default_rng(12), 8000))
    knots = np.array(calibration.conditions)
    assert len(knots) == 6
    assert_allclose(calibration.temperatures, 4 - 3 * knots, rtol=0.15)


def test_a_single_knot_is_scikit_learns_logistic_regression() -> None:
    """Two classes, one knot, no slips: 1 / T is the coefficient of a logistic regression."""
    rng = np.random.default_rng(13)
    margin = rng.normal(size=149) * 4
    truth = (rng.random(149) < 1 / (1 + np.exp(-margin / 2.5))).astype(int)
    scores = np.full((149, 37), -60.0)
    scores[:, 0], scores[:, 1] = 0.0, margin
    calibration = fit_calibration(scores, truth, np.zeros(149))
    oracle = LogisticRegression(fit_intercept=False, C=np.inf).fit(margin[:, None], truth)
    assert_allclose(1 / calibration.temperatures[0], oracle.coef_[0, 0], rtol=0.05)


def test_blunders_raise_the_doubt_and_not_only_the_temperature() -> None:
    rng = np.random.default_rng(14)
    clean = fit_calibration(*_readings(rng, 4000))
    slipping = fit_calibration(*_readings(rng, 4000, slips=0.15))
    assert max(clean.doubts) < 0.03
    assert_allclose(slipping.doubts, 0.15, atol=0.05)


def test_said_probabilities_are_kept_within_binomial_limits() -> None:
    """Cells said to be at least 80 % sure: errors must not exceed what was admitted (one-sided
    binomial limit at 1e-3, five seeded repeats)."""
    for seed in range(5):
        rng = np.random.default_rng(100 + seed)
        calibration = fit_calibration(*_readings(rng, 1500, slips=0.05))
        scores, truth, condition = _readings(rng, 1500, slips=0.05)
        logp = apply(calibration, scores, condition)
        sure = np.exp(logp.max(axis=1)) >= 0.8
        wrong = int((logp.argmax(axis=1) != truth)[sure].sum())
        admitted = float((1 - np.exp(logp.max(axis=1)))[sure].mean())
        assert sure.sum() > 50
        assert wrong <= binom.ppf(0.999, int(sure.sum()), admitted)


def test_order_of_characters_is_kept() -> None:
    rng = np.random.default_rng(15)
    scores, _, condition = _readings(rng, 200)
    calibration = Calibration((0.2, 0.8), (3.0, 1.5), (0.1, 0.01))
    after = apply(calibration, scores, condition)
    assert np.array_equal(after.argsort(axis=1)[:, -3:], scores.argsort(axis=1)[:, -3:])


def test_values_worked_by_hand() -> None:
    """Scores 0 and log 4 at T = 2 are 1 : 2; with doubt 0.37 each class gets 0.01 besides."""
    scores = np.full((1, 37), -np.inf)
    scores[0, :2] = 0.0, np.log(4)
    p = np.exp(apply(Calibration((0.0,), (2.0,), (0.37,)), scores, np.zeros(1)))[0]
    expected = np.full(37, 0.01)
    expected[:2] += 0.63 * np.array([1, 2]) / 3
    assert_allclose(p, expected, atol=1e-9)


def test_knots_are_joined_in_logarithms_and_held_outside() -> None:
    calibration = Calibration((0.0, 1.0), (1.0, 4.0), (LEAST_DOUBT, LEAST_DOUBT))
    scores = np.zeros((3, 37))
    scores[:, 0] = 6.0
    logp = apply(calibration, scores, np.array([-5.0, 0.5, 9.0]))
    for row, temperature in zip(logp, (1.0, 2.0, 4.0), strict=True):
        sharp = softmax(scores[0] / temperature)
        assert_allclose(np.exp(row), (1 - LEAST_DOUBT) * sharp + LEAST_DOUBT / 37, rtol=1e-9)


any_scores = hnp.arrays(np.float64, (4, 37), elements=st.floats(-1e9, 1e9) | st.just(-np.inf))


@given(any_scores, hnp.arrays(np.float64, 4, elements=st.floats(-1e6, 1e6)))
def test_no_claim_is_ever_certain(scores: np.ndarray, condition: np.ndarray) -> None:
    scores[:, 3] = 0.0
    calibration = Calibration((0.0, 0.5), (0.3, 2.0), (LEAST_DOUBT, 0.2))
    for chosen in (NEUTRAL, calibration):
        logp = apply(chosen, scores, condition)
        assert np.all(np.isfinite(logp))
        assert_allclose(np.exp(logp).sum(axis=1), 1)
        assert logp.min() >= np.log(0.99 * LEAST_DOUBT / 37)
        assert logp.max() < 0


@settings(deadline=None, max_examples=30)
@given(st.integers(1, 40), st.integers(0, 2**32 - 1))
def test_few_cells_still_give_a_usable_calibration(n: int, seed: int) -> None:
    scores, truth, condition = _readings(np.random.default_rng(seed), n)
    calibration = fit_calibration(scores, truth, condition)
    assert len(calibration.conditions) == 1
    assert np.all(np.isfinite(apply(calibration, scores, condition)))


@pytest.mark.parametrize(
    ("conditions", "temperatures", "doubts"),
    [
        ((), (), ()),
        ((0.0,), (1.0, 2.0), (0.1,)),
        ((0.0, 0.0), (1.0, 1.0), (0.1, 0.1)),
        ((0.0,), (0.0,), (0.1,)),
        ((0.0,), (np.nan,), (0.1,)),
        ((0.0,), (1.0,), (0.0,)),
        ((0.0,), (1.0,), (1.5,)),
    ],
)
def test_calibrations_that_would_lie_are_refused(
    conditions: tuple[float, ...], temperatures: tuple[float, ...], doubts: tuple[float, ...]
) -> None:
    with pytest.raises(ValueError, match=r"calibration|conditions|temperatures|doubts"):
        Calibration(conditions, temperatures, doubts)


def test_scores_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="expected"):
        apply(NEUTRAL, np.zeros((2, 36)), np.zeros(2))
    with pytest.raises(ValueError, match="expected"):
        apply(NEUTRAL, np.zeros((2, 37)), np.zeros(3))
    with pytest.raises(ValueError, match="finite"):
        apply(NEUTRAL, np.zeros((1, 37)), np.array([np.nan]))
    with pytest.raises(ValueError, match="not a number"):
        apply(NEUTRAL, np.full((1, 37), np.nan), np.zeros(1))
    with pytest.raises(ValueError, match="no possible class"):
        apply(NEUTRAL, np.full((1, 37), -np.inf), np.zeros(1))
    with pytest.raises(ValueError, match="no cells"):
        fit_calibration(np.zeros((0, 37)), np.zeros(0, int), np.zeros(0))
    with pytest.raises(ValueError, match="classes"):
        fit_calibration(np.zeros((2, 37)), np.array([0, 40]), np.zeros(2))
