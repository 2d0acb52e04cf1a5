from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from legibility.identify.calibration import FinalCalibration, posterior
from legibility.identify.conformal import (
    candidate_set,
    conformal_score,
    conformal_scores,
    score_limit,
)
from tests.identify.test_calibration import synthetic

BOASTFUL = FinalCalibration(exponent=1.0, floor=0.0)


def test_quantile_of_the_paper() -> None:
    # Angelopoulos & Bates 2021, equation 1: the ceil((n + 1)(1 - alpha)) / n quantile.
    scores = np.arange(1000) / 1000.0
    assert score_limit(scores, coverage=0.9) == pytest.approx(scores[math.ceil(1001 * 0.9) - 1])
    assert score_limit([0.1] * 18, coverage=0.95) == math.inf
    assert score_limit([0.1] * 19, coverage=0.95) == 0.1
    assert score_limit([], coverage=0.95) == math.inf


def test_coverage_over_seeded_repeats_lies_in_the_beta_limits() -> None:
    # Angelopoulos & Bates 2021, section 3.2: with continuous scores the coverage over a calibration
    # set of n is Beta(n + 1 - l, l), l = floor((n + 1) alpha); its mean over repeats is tested, and
    # that single repeats lie within its 0.05 % and 99.95 % points (0.02 for the finite test).
    # The probabilities are over-confident by a factor of 3: the promise does not depend on them.
    # The reader is right in fewer than 80 % of photos, so scores are continuous at the quantile.
    n, coverage, repeats = 200, 0.8, 25
    rng = np.random.default_rng(8)
    records = synthetic(4000, rng, boast=3.0, wrong=0.0, animals=20)
    scores = np.array(
        [
            conformal_score(
                posterior(r.log_likelihood, not_registered_prior=0.1, calibration=BOASTFUL), r.truth
            )
            for r in records
        ]
    )
    # Worked example of the paper: n = 1000, alpha = 0.1 has mean .9001 and 5-95 % .8841-.9152.
    example = beta(1001 - 100, 100)
    assert example.mean() == pytest.approx(0.9001, abs=5e-5)
    assert example.ppf([0.05, 0.95]) == pytest.approx([0.8841, 0.9152], abs=1e-4)
    law = beta(n + 1 - math.floor((n + 1) * (1 - coverage)), math.floor((n + 1) * (1 - coverage)))
    covered = []
    for _ in range(repeats):
        order = rng.permutation(scores.size)
        limit = score_limit(scores[order[:n]], coverage=coverage)
        covered.append(np.mean(scores[order[n:]] <= limit))
    assert limit > 0
    assert abs(np.mean(covered) - law.mean()) < 4 * law.std() / math.sqrt(repeats)
    assert law.ppf(0.0005) - 0.02 <= min(covered)
    assert max(covered) <= law.ppf(0.9995) + 0.02


def test_set_holds_exactly_those_whose_score_is_within_the_limit() -> None:
    records = synthetic(300, np.random.default_rng(1), boast=2.0, wrong=0.0, animals=12)
    scores = conformal_scores(records[:100], calibration=BOASTFUL, not_registered_prior=0.1)
    limit = score_limit(scores, coverage=0.9)
    for record in records[100:]:
        p = posterior(record.log_likelihood, not_registered_prior=0.1, calibration=BOASTFUL)
        chosen = candidate_set(p, coverage=0.9, scores=scores)
        wanted = {a for a in range(p.size) if conformal_score(p, a) <= limit + 1e-12}
        assert set(chosen.members.tolist()) == wanted
        assert "100 calibration photos" in chosen.basis


def test_without_calibration_photos_it_says_so() -> None:
    p = np.array([0.5, 0.3, 0.16, 0.04])
    none = candidate_set(p, coverage=0.95, scores=())
    assert none.members.tolist() == [0, 1, 2]
    assert "no calibration photos: coverage is not guaranteed" in none.basis
    few = candidate_set(p, coverage=0.95, scores=(0.0,) * 18)
    assert "only 18" in few.basis


@given(st.lists(st.floats(1e-12, 1.0), min_size=1, max_size=30), st.floats(0.05, 0.99))
def test_set_is_never_empty_and_smallest(weights: list[float], coverage: float) -> None:
    p = np.array(weights) / np.sum(weights)
    members = candidate_set(p, coverage=coverage, scores=()).members
    assert members.size >= 1
    assert p[members].sum() >= coverage - 1e-9
    least = p[members].min()
    assert p[p > least].sum() < coverage
    assert set(np.flatnonzero(p == least)) <= set(members.tolist())
