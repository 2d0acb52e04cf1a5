"""Several photos together: what may add up to certainty and what must not."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from scipy.stats import binom, entropy

from legibility.containers import Stage
from legibility.identify.calibration import log_prior
from legibility.identify.sequence import (
    PhotoEvidence,
    SequenceRecord,
    Tempering,
    combine,
    fit_tempering,
    information,
    log_ratio,
    mean_log_truth,
)

PRIOR = log_prior(4, not_registered=0.1)


def evidence(*log_ratios: float, ear: str = "", stage: Stage = Stage.AS_FOUND) -> PhotoEvidence:
    return PhotoEvidence(np.array(log_ratios, dtype=np.float64), ear, stage)


def test_one_photo_says_what_it_says_alone() -> None:
    alone = np.array([0.7, 0.1, 0.05, 0.05, 0.1])
    photo = PhotoEvidence(log_ratio(alone, PRIOR))
    for tempering in (Tempering(0.0, 0.0), Tempering(1.0, 1.0)):
        got = combine([photo], PRIOR, tempering=tempering)
        assert got.probabilities == pytest.approx(alone)
        assert got.weights == (1.0,)


def test_no_photo_leaves_the_prior() -> None:
    assert combine([], PRIOR, tempering=Tempering()).probabilities == pytest.approx(np.exp(PRIOR))


def test_a_photo_that_says_nothing_changes_nothing() -> None:
    clear, blank = evidence(3, 0, 0, 0, 0), evidence(0, 0, 0, 0, 0)
    for other in (blank, PhotoEvidence(blank.log_ratio, "", Stage.CLIPPED)):
        got = combine([other, clear], PRIOR, tempering=Tempering(0.3, 0.6))
        want = combine([clear], PRIOR, tempering=Tempering(0.3, 0.6))
        assert got.probabilities == pytest.approx(want.probabilities)


def test_photos_without_shared_faults_multiply_as_bayes_says() -> None:
    """With exponents of one: p ~ prior x product of likelihoods (Bayes' rule), by hand."""
    a, b = evidence(1, 0, 0, 0, 0), evidence(0.5, 2, 0, 0, 0, stage=Stage.CLEANED)
    got = combine([a, b], PRIOR, tempering=Tempering(1.0, 1.0)).probabilities
    by_hand = np.exp(PRIOR) * np.exp([1.5, 2.0, 0.0, 0.0, 0.0])
    assert got == pytest.approx(by_hand / by_hand.sum())


@pytest.mark.parametrize("repeat", [0.0, 0.3, 0.7])
def test_ten_near_identical_photos_count_at_most_as_a_bounded_number(repeat: float) -> None:
    """Geometric series: 1 + r + r^2 + ... <= 1 / (1 - r), whatever the number of photos."""
    photo = evidence(2, 0.5, 0, 0, -1)
    ten = combine([photo] * 10, PRIOR, tempering=Tempering(repeat, 0.5))
    assert sum(ten.weights) <= 1 / (1 - repeat) + 1e-12
    most = normal(PRIOR + photo.log_ratio / (1 - repeat))
    assert ten.probabilities[0] <= most[0] + 1e-12
    if repeat == 0.0:
        one = combine([photo], PRIOR, tempering=Tempering())
        assert ten.probabilities == pytest.approx(one.probabilities)


def test_the_two_ears_count_in_full_beside_each_other() -> None:
    left, right = evidence(2, 0, 0, 0, 0, ear="left"), evidence(1, 0, 0, 0, 0, ear="right")
    got = combine([left, right], PRIOR, tempering=Tempering(0.0, 0.0))
    assert got.weights == (1.0, 1.0)
    assert got.probabilities == pytest.approx(normal(PRIOR + np.array([3, 0, 0, 0, 0])))


def test_the_ears_are_taken_for_each_other_once_for_all_photos() -> None:
    """By hand: (1 - p) of both straight and p of both swapped, not p squared."""
    left = PhotoEvidence(
        np.zeros(5),
        "left",
        straight=np.array([-5.0, 0, 0, 0, 0]),
        swapped=np.array([4.0, 0, 0, 0, 0]),
    )
    right = PhotoEvidence(
        np.zeros(5),
        "right",
        straight=np.array([-6.0, 0, 0, 0, 0]),
        swapped=np.array([3.0, 0, 0, 0, 0]),
    )
    got = combine([left, right], PRIOR, tempering=Tempering(), p_wrong_ear=0.002)
    odds = np.exp(PRIOR)
    odds[0] *= 0.998 * math.exp(-11) + 0.002 * math.exp(7)
    assert got.probabilities == pytest.approx(odds / odds.sum())


def test_information_is_the_divergence_of_scipy() -> None:
    ratio = np.array([2.0, -1.0, 0.3, 0.0, 0.5])
    posterior = normal(PRIOR + ratio)
    assert information(ratio, PRIOR) == pytest.approx(entropy(posterior, np.exp(PRIOR)))


def test_extremes_stay_finite() -> None:
    sure = np.array([1.0, 0.0, 0.0, 0.0, 0.0])
    photo = PhotoEvidence(log_ratio(sure, PRIOR))
    against = PhotoEvidence(log_ratio(sure[::-1], PRIOR), "", Stage.CLEANED)
    got = combine([photo, against] * 5, PRIOR, tempering=Tempering(1.0, 1.0)).probabilities
    assert np.isfinite(got).all()
    ruled_out = PRIOR.copy()
    ruled_out[1] = -np.inf
    assert combine([photo], ruled_out, tempering=Tempering()).probabilities[1] == 0.0


@hypothesis_settings(deadline=None, max_examples=40)
@given(
    st.lists(
        st.tuples(
            st.lists(st.floats(-20, 20), min_size=5, max_size=5),
            st.sampled_from(list(Stage)),
            st.sampled_from(["", "left", "right"]),
        ),
        min_size=1,
        max_size=6,
    ),
    st.floats(0, 1),
    st.floats(0, 1),
    st.randoms(use_true_random=False),
)
def test_order_does_not_matter_and_probabilities_sum_to_one(photos, repeat, step, shuffler) -> None:
    made = [PhotoEvidence(np.array(values), ear, stage) for values, stage, ear in photos]
    order = list(range(len(made)))
    shuffler.shuffle(order)
    tempering = Tempering(repeat, step)
    got = combine(made, PRIOR, tempering=tempering)
    other = combine([made[k] for k in order], PRIOR, tempering=tempering)
    assert got.probabilities.sum() == pytest.approx(1.0)
    said = [information(photo.log_ratio, PRIOR) for photo in made]
    if len({round(value, 6) for value in said}) == len(said):  # no ties
        assert other.probabilities == pytest.approx(got.probabilities, abs=1e-6)


def shared_fault_records(rng: np.random.Generator, *, count: int, photos: int, shared: bool):
    """Ears whose one evidence is right as often as it claims; photos show it again or anew."""
    records = []
    for _ in range(count):
        truth = int(rng.choice(5, p=np.exp(PRIOR)))
        made: list[PhotoEvidence] = []
        for _ in range(photos):
            if made and shared:
                noise = rng.normal(0, 0.05, 5)
                made.append(PhotoEvidence(made[0].log_ratio + noise))
                continue
            # Gaussian scores with mean d^2 apart: their log-likelihood ratios are calibrated.
            scores = rng.normal(0, 1.3, 5)
            scores[truth] += 1.3**2
            made.append(PhotoEvidence(scores, "", Stage.AS_FOUND))
        records.append(SequenceRecord(tuple(made), truth, PRIOR))
    return records


def singles_of(records: list[SequenceRecord]) -> list[SequenceRecord]:
    return [SequenceRecord(r.photos[:1], r.truth, r.log_prior) for r in records]


def test_fitted_exponent_is_near_zero_where_photos_repeat_and_near_one_where_they_do_not() -> None:
    rng = np.random.default_rng(4)
    same = shared_fault_records(rng, count=120, photos=4, shared=True)
    apart = shared_fault_records(rng, count=120, photos=4, shared=False)
    assert fit_tempering(singles_of(same), same, []).repeat < 0.15
    assert fit_tempering(singles_of(apart), apart, []).repeat > 0.8


def test_ten_near_identical_photos_do_not_manufacture_certainty_on_held_out_ears() -> None:
    """Fitted on one half, the stated probability of ten photos holds on the other within binomial
    limits (one-sided, 1 in 1,000); taking the photos for independent does not."""
    rng = np.random.default_rng(8)
    records = shared_fault_records(rng, count=240, photos=10, shared=True)
    fit, held_out = records[::2], records[1::2]
    fitted = fit_tempering(singles_of(fit), fit, [])

    def stated_and_right(tempering: Tempering) -> tuple[float, int]:
        chances = [combine(r.photos, PRIOR, tempering=tempering).probabilities for r in held_out]
        right = sum(int(np.argmax(p)) == r.truth for p, r in zip(chances, held_out, strict=True))
        return float(np.mean([p.max() for p in chances])), right

    stated, right = stated_and_right(fitted)
    assert right >= binom.ppf(0.001, len(held_out), stated)
    too_sure, right = stated_and_right(Tempering(repeat=1.0))
    assert right < binom.ppf(0.001, len(held_out), too_sure)
    assert mean_log_truth(held_out, fitted) > mean_log_truth(held_out, Tempering(repeat=1.0))


def test_fitting_needs_photos() -> None:
    with pytest.raises(ValueError, match="at least one"):
        fit_tempering([], [], [])


def normal(logp: np.ndarray) -> np.ndarray:
    weights = np.exp(logp - logp.max())
    return weights / weights.sum()
