"""Calibration figures against scikit-learn and worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from legibility.evaluate.reliability import brier, brier_split, ece, reliability_table


@pytest.fixture
def sample():
    rng = np.random.default_rng(3)
    p = rng.random(1500)
    return p, rng.random(1500) < p**1.3


def test_brier_example():
    # scikit-learn's documentation of brier_score_loss: 0.0375
    assert brier([0.1, 0.9, 0.8, 0.3], [0, 1, 1, 0]) == pytest.approx(0.0375)


def test_brier_matches_scikit_learn(sample):
    p, y = sample
    assert brier(p, y) == pytest.approx(brier_score_loss(y, p), abs=1e-12)


def test_murphy_split_of_a_calibrated_forecast():
    # identity of Murphy 1973: ten each at .1, .5, .9: .143333 = 0 - .106667 + .25
    p = np.repeat([0.1, 0.5, 0.9], 10)
    y = np.concatenate([np.arange(10) < k for k in (1, 5, 9)])
    split = brier_split(p, y)
    assert split.score == pytest.approx(0.143333, abs=1e-6)
    assert split.reliability == pytest.approx(0.0, abs=1e-12)
    assert split.resolution == pytest.approx(0.106667, abs=1e-6)
    assert split.uncertainty == pytest.approx(0.25)
    assert split.within == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("kind", "strategy"), [("width", "uniform"), ("mass", "quantile")])
def test_table_matches_scikit_learn(sample, kind, strategy):
    p, y = sample
    observed, stated = calibration_curve(y, p, n_bins=15, strategy=strategy)
    rows = reliability_table(p, y, kind=kind, bins=15)
    # quantile edges put single points on either side; equal-width bins are the same
    tolerance = 1e-9 if kind == "width" else 0.02
    assert [r.mean_probability for r in rows] == pytest.approx(stated.tolist(), abs=tolerance)
    assert [r.right.value for r in rows] == pytest.approx(observed.tolist(), abs=tolerance)


def test_ece_from_scikit_learn_bins(sample):
    p, y = sample
    observed, stated = calibration_curve(y, p, n_bins=15, strategy="uniform")
    weights = np.histogram(p, bins=np.linspace(0, 1, 16))[0] / len(p)
    expected = float(np.sum(weights * np.abs(observed - stated)))
    assert ece(p, y, kind="width") == pytest.approx(expected, abs=1e-9)


def test_ece_of_a_calibrated_reader_is_small_and_of_a_boaster_large():
    rng = np.random.default_rng(0)
    p = rng.uniform(0.3, 1.0, 20_000)
    y = rng.random(20_000) < p
    assert ece(p, y) < 0.015
    assert ece(np.full(1000, 0.99), rng.random(1000) < 0.5) > 0.4


def test_no_answers_have_no_calibration():
    assert np.isnan(ece([], []))
    assert np.isnan(brier_split([], []).score)
    assert reliability_table([], []) == ()


def test_bad_input_is_refused():
    with pytest.raises(ValueError, match="outside 0"):
        ece([1.5], [1])
    with pytest.raises(ValueError, match="as many"):
        ece([0.5, 0.6], [1])
