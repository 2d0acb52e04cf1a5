"""Ratios of several photos by hand, their cap, intervals and dependence on choices."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from legibility.evidence.ratio import (
    PhotoScores,
    intervals,
    neither_ratio,
    one_ear_log_ratio,
    pair_posteriors,
    pair_ratio,
    photo_parts,
    three_way_posteriors,
    variants,
)
from legibility.evidence.ratio_model import ratio_model
from tests.evidence.ratio_builder import dispute, photo_scores, small_model

MODEL = replace(small_model(), together=(0.5, 0.25), repeat=0.5, cap=(-3.0, 3.0))


def test_weighted_sum_by_hand() -> None:
    ratio = pair_ratio([photo_scores("a", 2.0, 1.0)], MODEL)
    assert ratio.value == pytest.approx(0.5 * 2.0 + 0.25 * 1.0)
    assert not ratio.capped


def test_two_photos_by_hand_and_their_parts() -> None:
    photos = [photo_scores("a", 1.0, 0.0), photo_scores("b", 2.0, 4.0)]
    # 0.5 and 2.0; the stronger in full, the other half.
    assert pair_ratio(photos, MODEL).value == pytest.approx(2.0 + 0.5 * 0.5)
    assert photo_parts(photos, MODEL) == pytest.approx((0.25, 2.0))


def test_the_cap_is_kept_and_said() -> None:
    ratio = pair_ratio([photo_scores("a", 40.0, 0.0)], MODEL)
    assert (ratio.value, ratio.uncapped, ratio.capped) == (3.0, 20.0, True)
    assert pair_ratio([photo_scores("a", -40.0, 0.0)], MODEL).value == -3.0


def test_exchanging_the_claims_gives_the_reciprocal() -> None:
    ahead, behind = photo_scores("a", 2.0, 1.0), photo_scores("a", -2.0, -1.0)
    assert pair_ratio([ahead], MODEL).value == pytest.approx(-pair_ratio([behind], MODEL).value)


def test_a_photo_in_which_nothing_was_read_says_nothing() -> None:
    silent = PhotoScores("s", "00", {}, {})
    photos = [photo_scores("a", 2.0, 1.0)]
    assert pair_ratio([silent, *photos], MODEL) == pair_ratio(photos, MODEL)
    assert pair_ratio([silent], MODEL).value == 0.0
    assert neither_ratio([silent], MODEL, claim=0).value == 0.0
    assert [(i.low, i.high) for i in intervals([silent], MODEL)] == [(0.0, 0.0)]


def test_intervals_hold_the_ratio_and_are_repeatable() -> None:
    model = small_model()
    photos = [photo_scores("a", 1.0, 0.5), photo_scores("b", 0.5, 0.25)]
    found = {i.source: i for i in intervals(photos, model)}
    assert set(found) == {"calibration data", "photos", "both"}
    value = pair_ratio(photos, model).value
    for interval in found.values():
        assert interval.low < value < interval.high
    assert found["both"].high - found["both"].low > 0.9 * (
        found["photos"].high - found["photos"].low
    )
    assert intervals(photos, model) == intervals(photos, model)
    (single,) = intervals(photos[:1], model)
    assert single.source == "calibration data"


def test_the_cap_is_uncertain_too_and_never_wider_than_reported() -> None:
    model = small_model()
    (found,) = intervals([photo_scores("a", 80.0, 80.0)], model)
    assert found.low < model.cap[1] - 0.1
    assert found.high <= model.cap[1]
    (other,) = intervals([photo_scores("a", -80.0, -80.0)], model)
    assert (other.low, other.high) == pytest.approx((-found.high, -found.low), abs=0.1)


def test_intervals_hold_the_true_ratio_as_often_as_they_say(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Fewer resamples than an interval has, so that the test is short.
    monkeypatch.setattr("legibility.evidence.ratio.REPEATS", 100)
    # Scores drawn from N(m, 2 m) are their own log ratios (Good 1985, Weight of evidence: for equal
    # spreads the variance is twice the mean), so that the true weights of readers who say four
    # times as much are 1/4 and 1/4.
    rng = np.random.default_rng(11)
    truth, held, repeats = 1.5, 0, 60
    for _ in range(repeats):
        pooled = 4.0 * rng.normal(2.0, 2.0, 120)
        needles = 4.0 * rng.normal(1.0, math.sqrt(2.0), 120)
        fitted = [dispute(i, p, n) for i, (p, n) in enumerate(zip(pooled, needles, strict=True))]
        model = ratio_model(fitted, fitted[:2], origin="made up", models_sha256="00")
        (found,) = intervals([photo_scores("a", 4.0, 2.0)], model)
        held += found.uncapped[0] <= truth <= found.uncapped[1]
    assert held >= binom.ppf(0.001, repeats, 0.95)


def test_against_neither_a_photo_counts_as_far_as_it_tells_marks_apart() -> None:
    model = replace(small_model(), neither=(0.0, 0.0, -0.5), cap_neither=(-3.0, 3.0))
    shown = photo_scores("a", 1.0, 1.0)
    assert neither_ratio([shown], model, claim=0).value == pytest.approx(-0.5)
    assert neither_ratio([replace(shown, said=0.0)], model, claim=0).value == 0.0
    assert neither_ratio([replace(shown, said=0.4)], model, claim=1).value == pytest.approx(-0.2)


def test_every_reader_is_shown_apart() -> None:
    photos = [photo_scores("a", 2.0, 1.0), photo_scores("b", 1.0, 1.0)]
    found = {v.name: v.ratio.uncapped for v in variants(photos, MODEL)}
    alone = MODEL.alone["needles"]
    assert found["needle model alone"] == pytest.approx(alone * (1.0 + 0.5))
    assert "second reader alone" not in found
    assert found["fused readers, not tempered"] == pytest.approx(3.0)
    assert found["photos independent"] == pytest.approx(1.25 + 0.75)
    assert found["strongest photo only"] == pytest.approx(1.25)
    assert found["without a"] == pytest.approx(0.75)


def test_an_application_error_is_taken_out() -> None:
    scores = {"pooled": (2.0, 0.0, -5.0), "needles": (0.0, 0.0, -4.0)}
    recorded = {"pooled": (6.0, 0.0, -5.0), "needles": (0.0, 0.0, -4.0)}
    photo = PhotoScores("a", "00", scores, recorded)
    found = {v.name: v.ratio.uncapped for v in variants([photo], MODEL)}
    assert found["as reported"] == pytest.approx(1.0)
    assert found["no error possible at application"] == pytest.approx(3.0)


def test_posteriors_by_bayes_rule() -> None:
    # Prior odds 1 : 10 and a ratio of 30 give odds of 3 : 1.
    found = dict(pair_posteriors(math.log(30.0)))
    assert found[0.1] == pytest.approx(0.75)
    # Neither 0.5, claims 0.25 each; A 8 : 1 against neither and 4 : 1 against B: 2, 0.5, 0.5.
    rows = {row[0]: row[1:] for row in three_way_posteriors(math.log(4.0), (math.log(8.0), 0.0))}
    assert rows[0.5] == pytest.approx((2 / 3, 1 / 6, 1 / 6))
    for row in rows.values():
        assert sum(row) == pytest.approx(1.0)


def test_one_ear_by_hand() -> None:
    # Two marks; both photos sure of the same one: (1 * 1 + 0) / 2 over (1/2)(1/2) = 2.
    same = np.log(np.array([[1.0, 1e-12], [1.0, 1e-12]]))
    assert math.exp(one_ear_log_ratio(same, exponent=1.0)) == pytest.approx(2.0)
    different = np.log(np.array([[1.0, 1e-6], [1e-6, 1.0]]))
    assert math.exp(one_ear_log_ratio(different, exponent=1.0)) == pytest.approx(4e-6, rel=1e-3)
