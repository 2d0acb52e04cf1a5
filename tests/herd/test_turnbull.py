"""The non-parametric curve against published masses and another library."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from legibility.herd.intervals import Spans, spans
from legibility.herd.turnbull import turnbull, turnbull_bands
from tests.herd.cosmesis import RADIOTHERAPY, WITH_CHEMOTHERAPY, arm

# Masses as the R package interval (icfit) gives them for these data; the log-likelihoods are those
# of an independent EM on the same half-open intervals.
PUBLISHED = {
    RADIOTHERAPY: (
        {
            (4, 5): 0.0463,
            (6, 7): 0.0334,
            (7, 8): 0.0887,
            (11, 12): 0.0708,
            (24, 25): 0.0926,
            (33, 34): 0.0818,
            (38, 40): 0.1209,
            (46, 48): 0.4656,
        },
        -58.0600,
    ),
    WITH_CHEMOTHERAPY: (
        {
            (4, 5): 0.0433,
            (5, 8): 0.0433,
            (11, 12): 0.0692,
            (16, 17): 0.1454,
            (18, 19): 0.1411,
            (19, 20): 0.1157,
            (24, 25): 0.0999,
            (30, 31): 0.0709,
            (35, 36): 0.1608,
            (44, 48): 0.0552,
            (48, 60): 0.0552,
        },
        -65.6370,
    ),
}


@pytest.mark.parametrize("text", list(PUBLISHED))
def test_breast_cosmesis_to_the_printed_digits(text: str) -> None:
    data = spans(*arm(text))
    found = turnbull(data)
    masses = {
        (int(a), int(b)): round(float(m), 4)
        for a, b, m in zip(found.left, found.right, found.mass, strict=True)
        if m > 5e-5
    }
    wanted, loglik = PUBLISHED[text]
    assert masses == wanted
    assert found.loglik == pytest.approx(loglik, abs=5e-5)
    assert found.gap <= 1e-7


def other_library(left: list[float], right: list[float], *, shift: float) -> list[float]:
    """Plateaus of lifelines, which takes intervals as closed unless the left end is moved."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from lifelines import KaplanMeierFitter

        fitted = KaplanMeierFitter().fit_interval_censoring(
            np.array(left) + shift, np.array(right), tol=1e-9 if shift else 1e-5
        )
    table = fitted.survival_function_
    return sorted({round(float(v), 3) for v in table.iloc[:, 0]}, reverse=True)


def plateaus(data: Spans) -> list[float]:
    found = turnbull(data)
    after = 1 - np.cumsum(found.mass[found.mass > 5e-5])
    return [1.0, *(round(abs(float(v)), 3) for v in after)]


@pytest.mark.parametrize("text", list(PUBLISHED))
def test_lifelines_agrees_once_its_closed_intervals_are_opened(text: str) -> None:
    left, right = arm(text)
    ours = plateaus(spans(left, right))
    theirs = other_library(left, right, shift=1e-6)
    assert all(min(abs(a - b) for b in theirs) <= 2e-3 for a in ours)
    assert sorted(other_library(left, right, shift=0.0)) != sorted(ours)


def test_right_censored_data_are_kaplan_and_meier() -> None:
    # Losses pinned between whole numbers, so that intervals hold one event time each:
    # S = 4/5 after the first loss, then 4/5 * 2/3 (one of five was censored in between).
    inf = float("inf")
    data = spans([0, 2, 2, 4, 4], [1, inf, 3, inf, inf])
    low, high = turnbull(data).survival([1.0, 3.5])
    np.testing.assert_allclose(high, [0.8, 0.8 * 2 / 3], atol=1e-4)
    np.testing.assert_allclose(low, high, atol=1e-9)


def test_counts_are_as_good_as_repetition() -> None:
    left, right = arm(RADIOTHERAPY)
    once, twice = turnbull(spans(left, right)), turnbull(spans(left * 2, right * 2))
    np.testing.assert_allclose(once.survival([10, 30])[1], twice.survival([10, 30])[1], atol=1e-6)


def test_bands_hold_the_curve_and_nothing_is_no_data() -> None:
    data = spans(*arm(RADIOTHERAPY))
    at = np.array([5.0, 20.0, 40.0])
    low, high = turnbull_bands(data, at, samples=60, rng=np.random.default_rng(1))
    assert np.all(low <= turnbull(data).survival(at)[0] + 1e-9)
    assert np.all(high >= turnbull(data).survival(at)[1] - 1e-9)
    with pytest.raises(ValueError, match="no intervals"):
        turnbull(spans([], []))


@pytest.mark.parametrize(
    ("left", "right", "reason"),
    [([2.0], [2.0], "expected 0 <= left < right"), ([-1.0], [2.0], "left"), ([1.0], [], "ends")],
)
def test_impossible_intervals(left: list[float], right: list[float], reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        spans(left, right)
