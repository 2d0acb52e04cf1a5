"""Pooling: hand-made arrays, scikit-learn's logistic regression and scipy's Jensen-Shannon."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.testing import assert_allclose
from scipy.spatial.distance import jensenshannon
from scipy.special import log_softmax
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import log_loss

from legibility.read.fusion import (
    NETWORK_ALONE,
    FusionRecord,
    FusionWeights,
    PoolWeights,
    disagreement,
    fit_fusion,
    fuse,
)

EQUAL = FusionWeights(
    with_second=PoolWeights(1.0, 1.0, 1.0, -2.0), without_second=PoolWeights(1.0, 1.0, 0.0, -2.0)
)


def _records(
    rng: np.random.Generator, *, n_rows: int, sharp: tuple[float, float, float], blank_share: float
) -> list[FusionRecord]:
    """Rows of six cells whose readers see the truth through independent noise."""
    records = []
    for _ in range(n_rows):
        truth = rng.integers(0, 36, 6)
        truth[rng.random(6) < blank_share] = 36
        target = np.eye(37)[truth]
        network = log_softmax(sharp[0] * target + rng.normal(size=(6, 37)), axis=1)
        needle = (sharp[1] * target + rng.normal(size=(6, 37)))[:, :36]
        second = log_softmax(sharp[2] * target + rng.normal(size=(6, 37)), axis=1)
        records.append(FusionRecord(network, needle, second, truth))
    return records


def _loss(records: list[FusionRecord], weights: FusionWeights, *, second: bool) -> float:
    truth = np.concatenate([r.truth for r in records])
    logp = np.concatenate(
        [
            fuse(r.network_logp, r.needle_loglik, r.tesseract_logp if second else None, weights)
            for r in records
        ]
    )
    return float(log_loss(truth, np.exp(logp), labels=np.arange(37)))


def test_the_pool_is_the_weighted_product() -> None:
    """Worked by hand: factors 4 : 1 and 3 : 1 multiply to 12 : 3 : 1 ..."""
    network = np.log(np.full((1, 37), 1.0) + 3 * np.eye(37)[[2]])
    needle = np.log(np.full((1, 36), 1.0) + 2 * np.eye(36)[[5]])
    p = np.exp(fuse(network, needle, None, EQUAL))[0]
    # Needles are counted from their best character (3), "no character" stands at -2 there.
    expected = np.full(37, 1 / 3)
    expected[2], expected[5], expected[36] = 4 / 3, 1.0, np.exp(-2)
    assert_allclose(p, expected / expected.sum(), rtol=1e-12)


def test_the_network_alone_is_passed_on() -> None:
    logp = log_softmax(np.random.default_rng(1).normal(size=(5, 37)), axis=1)
    assert_allclose(fuse(logp, np.zeros((5, 36)), logp[::-1], NETWORK_ALONE), logp)


def test_fit_agrees_with_scikit_learn() -> None:
    """A conditional logit with two classes is a plain logistic regression on differences."""
    rng = np.random.default_rng(2)
    truth = rng.integers(0, 2, 4000)
    scores = rng.normal(size=(2, 4000, 2)) + np.array([1.5, 0.6])[:, None, None] * np.eye(2)[truth]
    network, needle = np.full((4000, 37), -15.0), np.full((4000, 36), -15.0)
    network[:, :2], needle[:, :2] = scores
    record = FusionRecord(network, needle, None, truth)
    pool = fit_fusion([record]).without_second
    differences = (scores[:, :, 1] - scores[:, :, 0]).T
    oracle = LogisticRegression(fit_intercept=False, C=np.inf).fit(differences, truth)
    assert_allclose([pool.network, pool.needle], oracle.coef_[0], rtol=0.02)


def test_fitted_weights_beat_each_reader_and_equal_weights_on_new_rows() -> None:
    rng = np.random.default_rng(3)
    sharp = (2.0, 1.0, 1.5)
    weights = fit_fusion(_records(rng, n_rows=400, sharp=sharp, blank_share=0.1))
    fresh = _records(rng, n_rows=400, sharp=sharp, blank_share=0.1)
    best = _loss(fresh, weights, second=True)
    assert best < _loss(fresh, EQUAL, second=True)
    assert best < _loss(fresh, weights, second=False) < _loss(fresh, NETWORK_ALONE, second=False)
    # For normal noise of variance 1 the true weights are the sharpnesses themselves.
    pool = weights.with_second
    assert_allclose((pool.network, pool.needle, pool.second), sharp, rtol=0.2)


def test_a_reader_that_is_wrong_on_purpose_gets_no_weight() -> None:
    rng = np.random.default_rng(4)
    records = _records(rng, n_rows=60, sharp=(4.0, -3.0, 0.0), blank_share=0.0)
    pool = fit_fusion(records).with_second
    assert pool.needle == 0
    assert pool.second < 0.3
    assert pool.network > 2


def test_without_second_readings_both_pools_are_the_same() -> None:
    rng = np.random.default_rng(5)
    records = [
        FusionRecord(r.network_logp, r.needle_loglik, None, r.truth)
        for r in _records(rng, n_rows=20, sharp=(3.0, 2.0, 0.0), blank_share=0.1)
    ]
    weights = fit_fusion(records)
    assert weights.with_second == weights.without_second
    assert weights.with_second.second == 0


def test_disagreement_is_the_jensen_shannon_divergence() -> None:
    rng = np.random.default_rng(6)
    network = log_softmax(rng.normal(size=(8, 37)) * 3, axis=1)
    needle = rng.normal(size=(8, 36)) * 3
    ours = disagreement(network, needle, None, EQUAL)
    p, q = np.exp(log_softmax(network[:, :36], axis=1)), np.exp(log_softmax(needle, axis=1))
    assert_allclose(ours, jensenshannon(p, q, axis=1, base=2) ** 2, atol=1e-5)  # floor e-15


def test_readers_that_agree_or_are_silent_do_not_disagree() -> None:
    rng = np.random.default_rng(7)
    needle = rng.normal(size=(4, 36))
    network = np.concatenate([needle, np.zeros((4, 1))], axis=1)
    assert_allclose(disagreement(network, needle, None, EQUAL), 0, atol=1e-12)
    silent = np.full((4, 37), -np.log(37))
    assert_allclose(disagreement(network, needle, silent, EQUAL), 0, atol=1e-12)
    assert_allclose(disagreement(network, np.zeros((4, 36)), silent, EQUAL), 0)
    sure = np.where(np.eye(37)[[0]] > 0, 0.0, -40.0)
    other = np.where(np.eye(36)[[1]] > 0, 0.0, -40.0)
    assert disagreement(sure, other, None, EQUAL)[0] > 0.99


scores37 = hnp.arrays(np.float64, (3, 37), elements=st.floats(-1e6, 50) | st.just(-np.inf))
scores36 = hnp.arrays(np.float64, (3, 36), elements=st.floats(-1e6, 1e6))


@given(scores37, scores36, scores37)
def test_any_scores_give_finite_distributions(
    network: np.ndarray, needle: np.ndarray, second: np.ndarray
) -> None:
    network[:, 0] = 0.0
    second[:, 7] = 0.0
    for third in (None, second):
        logp = fuse(network, needle, third, EQUAL)
        assert np.all(np.isfinite(logp))
        assert_allclose(np.exp(logp).sum(axis=1), 1)
        share = disagreement(network, needle, third, EQUAL)
        assert np.all((share >= 0) & (share <= 1))


@given(scores36, st.floats(-500, 500))
def test_a_common_offset_of_a_reader_changes_nothing(needle: np.ndarray, offset: float) -> None:
    network = np.zeros((3, 37))
    moved = fuse(network, needle + offset, None, EQUAL)
    assert_allclose(moved, fuse(network, needle, None, EQUAL), atol=1e-8)


def test_one_reader_cannot_veto_what_the_others_are_sure_of() -> None:
    network = np.where(np.eye(37)[[4]] > 0, 0.0, -100.0)
    needle = np.where(np.eye(36)[[9]] > 0, 0.0, -14.0)
    second = np.where(np.eye(37)[[9]] > 0, 0.0, -14.0)
    assert fuse(network, needle, second, EQUAL)[0].argmax() == 9


@pytest.mark.parametrize(
    ("network", "needle", "second", "message"),
    [
        (np.zeros((2, 36)), np.zeros((2, 36)), None, "network gave"),
        (np.zeros((2, 37)), np.zeros((3, 36)), None, "needle model"),
        (np.zeros((2, 37)), np.zeros((2, 36)), np.zeros((2, 36)), "second reader"),
        (np.full((2, 37), np.nan), np.zeros((2, 36)), None, "not a number"),
        (np.full((2, 37), -np.inf), np.zeros((2, 36)), None, "every character"),
    ],
)
def test_scores_that_do_not_fit_are_refused(
    network: np.ndarray, needle: np.ndarray, second: np.ndarray | None, message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        fuse(network, needle, second, EQUAL)


def test_fitting_on_nothing_or_on_unknown_classes_is_refused() -> None:
    with pytest.raises(ValueError, match="no records"):
        fit_fusion([])
    record = FusionRecord(np.zeros((2, 37)), np.zeros((2, 36)), None, np.array([0, 37]))
    with pytest.raises(ValueError, match="classes"):
        fit_fusion([record])


def test_no_cells_are_no_distributions() -> None:
    empty = np.zeros((0, 37))
    assert fuse(empty, np.zeros((0, 36)), None, EQUAL).shape == (0, 37)
    assert disagreement(empty, np.zeros((0, 36)), empty, EQUAL).shape == (0,)
