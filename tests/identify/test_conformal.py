from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta, binom

from legibility.identify.calibration import FinalCalibration, SetScores, posterior
from legibility.identify.calibration_fit import calibration_with_sets, set_scores
from legibility.identify.conformal import (
    candidate_set,
    score_limit,
    set_limits,
)
from tests.identify.synthetic_herds import Shot, records_of, synthetic

BOASTFUL = FinalCalibration(exponent=1.0, floor=0.0)


def probabilities(shot: Shot, calibration: FinalCalibration = BOASTFUL) -> np.ndarray:
    return posterior(shot.log_likelihood, not_registered_prior=0.1, calibration=calibration)


def conformal_score(probabilities: np.ndarray, truth: int) -> float:
    """Probability of everything strictly more probable than the truth, 0..1."""
    return float(np.sum(probabilities[probabilities > probabilities[truth]]))


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
    shots = synthetic(4000, rng, boast=3.0, wrong=0.0, animals=20)
    scores = np.array([conformal_score(probabilities(s), s.truth) for s in shots])
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
    shots = synthetic(300, np.random.default_rng(1), boast=2.0, wrong=0.0, animals=12)
    scores = tuple(sorted(conformal_score(probabilities(s), s.truth) for s in shots[:100]))
    calibration = replace(BOASTFUL, sets=(SetScores(0, scores),))
    limit = score_limit(scores, coverage=0.9)
    for shot in shots[100:]:
        p = probabilities(shot)
        chosen = candidate_set(p, coverage=0.9, calibration=calibration)
        wanted = {a for a in range(p.size) if conformal_score(p, a) <= limit + 1e-9}
        assert set(chosen.members.tolist()) == wanted
        assert chosen.basis == "split conformal, 100 calibration photos"


def test_registered_and_unregistered_are_covered_each() -> None:
    # Class-conditional sets, same paper, section 4.2. "Not registered" is made to look unlikely,
    # so that a limit for all photos together would cover registered animals at its expense.
    rng = np.random.default_rng(17)
    shots = synthetic(3000, rng, boast=1.0, wrong=0.05, animals=15, prior=0.3)
    for shot in shots:
        shot.log_likelihood[-1] -= 2.0
    records = records_of(shots[:1500])
    apart = set_scores(records, BOASTFUL, not_registered_prior=0.1, any_size=True)
    together = (SetScores(0, tuple(sorted([*apart[0].registered, *apart[0].unregistered]))),)

    def covered(sets: tuple[SetScores, ...], *, registered: bool) -> tuple[int, int]:
        calibration = replace(BOASTFUL, sets=sets)
        fresh = [s for s in shots[1500:] if (s.truth < 15) == registered]
        inside = [
            s.truth
            in candidate_set(probabilities(s), coverage=0.9, calibration=calibration).members
            for s in fresh
        ]
        return sum(inside), len(inside)

    for registered in (True, False):
        hits, total = covered(apart, registered=registered)
        # Limits with the spread of the calibration half too: Beta law, about sqrt(2) wider.
        assert hits / total > 0.9 - 3.3 * math.sqrt(2 * 0.09 / total)
    hits, total = covered(together, registered=False)
    assert hits < binom.ppf(0.001, total, 0.9)


def test_scores_come_from_other_photos_than_the_ranking() -> None:
    records = records_of(synthetic(300, np.random.default_rng(3), boast=2.0, wrong=0.03))
    fitted = calibration_with_sets(records, not_registered_prior=0.1, origin="made up")
    assert fitted.photos_fitted == 300
    assert fitted.scored_with is not None
    assert fitted.scored_with.photos_fitted == 100
    assert sum(len(s.registered) + len(s.unregistered) for s in fitted.sets) == 200


def test_between_two_sizes_the_larger_limit_holds() -> None:
    sets = (
        SetScores(20, (0.1,) * 30, (0.9,) * 30),
        SetScores(400, (0.5,) * 30, (0.2,) * 40),
        SetScores(9000, (0.3,) * 30, (0.2,) * 40),
    )

    def limits(animals: int) -> tuple[float, float]:
        got = set_limits(sets, animals=animals, coverage=0.95)
        return got.registered, got.unregistered

    assert limits(3) == limits(20) == (0.1, 0.9)
    assert limits(21) == limits(399) == (0.5, 0.9)
    assert limits(400) == (0.5, 0.2)
    assert limits(1000) == (0.5, 0.2)
    assert limits(9000) == limits(10**6) == (0.3, 0.2)
    p = np.full(101, 1 / 101)
    chosen = candidate_set(p, coverage=0.95, calibration=replace(BOASTFUL, sets=sets))
    assert chosen.basis == "split conformal, 30 calibration photos in herds of 20 and 400 animals"


def test_without_calibration_photos_it_says_so() -> None:
    p = np.array([0.5, 0.3, 0.16, 0.04])
    none = candidate_set(p, coverage=0.95, calibration=FinalCalibration())
    assert none.members.tolist() == [0, 1, 2]
    assert "no calibration photos: coverage is not guaranteed" in none.basis
    few = FinalCalibration(sets=(SetScores(0, (0.0,) * 18),))
    assert "only 18" in candidate_set(p, coverage=0.95, calibration=few).basis


def test_the_ranking_decides_and_the_first_candidate_stays() -> None:
    calibration = FinalCalibration(sets=(SetScores(0, (0.0,) * 40),))
    p, ranking = np.array([0.6, 0.3, 0.1]), np.array([0.3, 0.6, 0.1])
    chosen = candidate_set(p, coverage=0.95, calibration=calibration, ranking=ranking)
    assert chosen.members.tolist() == [0, 1]


@given(st.lists(st.floats(1e-12, 1.0), min_size=1, max_size=30), st.floats(0.05, 0.99))
def test_set_is_never_empty_and_smallest(weights: list[float], coverage: float) -> None:
    p = np.array(weights) / np.sum(weights)
    members = candidate_set(p, coverage=coverage, calibration=FinalCalibration()).members
    assert members.size >= 1
    assert p[members].sum() >= coverage - 1e-9
    least = p[members].min()
    assert p[p > least].sum() < coverage
    assert set(np.flatnonzero(p == least)) <= set(members.tolist())
