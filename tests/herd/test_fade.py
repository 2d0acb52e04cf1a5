"""What a curve of loss rests on, and what follows from it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from legibility.herd.fade import ASSUMED_LOSS_A_YEAR, Basis, assumed_fade, fit_fade
from legibility.herd.intervals import spans
from tests.herd.cosmesis import RADIOTHERAPY, arm

INF = float("inf")


def test_without_data_the_curve_says_that_it_is_an_assumption() -> None:
    found = fit_fade(spans([1.0] * 5, [INF] * 5))
    assert found.basis is Basis.ASSUMPTION
    assert "assumption, not a measurement" in found.words
    assert np.isnan(found.limits([1.0])[0]).all()


def test_no_decay_is_forced_where_none_was_seen() -> None:
    found = fit_fade(spans([4.0] * 250, [INF] * 250))
    assert found.basis is Basis.NO_LOSS
    assert found.survival([1.0, 50.0]).tolist() == [1.0, 1.0]
    assert found.lost_between(2.0, 9.0) == 0.0
    assert found.years_until(3.0, 0.1) == INF
    # 1,000 mark-years without a loss: rule of three, 0.3 % a year (exact -ln .05 = 2.996).
    assert found.loss_rate_limit == pytest.approx(3 / 1000, rel=2e-3)
    low, high = found.limits([1.0])
    assert high[0] == 1.0
    assert low[0] == pytest.approx(0.997, abs=1e-5)
    assert "no decay is assumed; up to 0.3 % a year" in found.words


def test_early_losses_alone_do_not_bend_the_later_curve() -> None:
    """One mark in five is lost within the first year, no other one in ten years."""
    found = fit_fade(spans([0.0] * 20 + [10.0] * 80, [1.0] * 20 + [INF] * 80))
    assert found.survival(1.0) == pytest.approx(0.8, abs=0.04)
    assert found.survival(10.0) == pytest.approx(0.8, abs=0.04)


def test_few_losses_hold_the_shape() -> None:
    found = fit_fade(spans([3.0] * 30 + [1.0] * 2, [INF] * 30 + [2.0] * 2))
    assert found.curve is not None
    assert found.curve.shape == 1.0


def test_bootstrap_limits_hold_the_curve() -> None:
    found = fit_fade(spans(*arm(RADIOTHERAPY)), bootstrap=40)
    at = np.array([10.0, 30.0, 45.0])
    low, high = found.limits(at)
    assert np.all((low < found.survival(at)) & (found.survival(at) < high))


@pytest.mark.parametrize("seen", [0.0, 1.0, 3.5])
def test_years_until_is_the_inverse_of_lost_between(seen: float) -> None:
    found = assumed_fade()
    ahead = float(found.years_until(seen, 0.1))
    assert found.lost_between(seen, seen + ahead) == pytest.approx(0.1)


def test_assumed_losses_by_grade_are_kept_to_the_year() -> None:
    found = assumed_fade(names=("grade",), by_class=ASSUMED_LOSS_A_YEAR)
    for name, loss in ASSUMED_LOSS_A_YEAR.items():
        effect = found.effect({"grade": name})
        assert found.lost_between(0.0, 1.0, effect=effect) == pytest.approx(loss)
        half = found.lost_between(0.0, 0.5, effect=effect)
        assert half == pytest.approx(1 - math.sqrt(1 - loss))


def test_coverage_of_the_limits() -> None:
    """A promise: the 95 % limits hold the truth about as often, within binomial limits."""
    rng = np.random.default_rng(3)
    truth = math.exp(-((2.0 / 4.0) ** 2))
    held = 0
    for seed in range(30):
        lost = 4.0 * rng.weibull(2.0, 60)
        seen = np.sort(rng.uniform(0.2, 7.0, (60, 4)), axis=1)
        left = np.where(seen < lost[:, None], seen, 0.0).max(axis=1)
        right = np.where(seen >= lost[:, None], seen, INF).min(axis=1)
        low, high = fit_fade(spans(left, right), bootstrap=60, seed=seed).limits([2.0])
        held += bool(low[0] <= truth <= high[0])
    # Binomial(30, 0.95): below 25 has a probability under 0.01.
    assert held >= 25
