"""The Weibull fit against published figures, another library and known truth."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from legibility.herd.intervals import spans
from legibility.herd.weibull import fit_weibull
from tests.herd.cosmesis import RADIOTHERAPY, WITH_CHEMOTHERAPY, arm

INF = float("inf")


# Figures of an independent likelihood, equal to lifelines 0.30.3 to five digits.
@pytest.mark.parametrize(
    ("text", "shape", "scale", "loglik"),
    [
        (RADIOTHERAPY, 1.12161, 57.5131, -64.73147),
        (WITH_CHEMOTHERAPY, 2.03024, 28.0425, -75.71507),
    ],
)
def test_breast_cosmesis_to_the_printed_digits(
    text: str, shape: float, scale: float, loglik: float
) -> None:
    found = fit_weibull(spans(*arm(text)))
    assert found.shape == pytest.approx(shape, abs=6e-6)
    assert found.scale == pytest.approx(scale, abs=6e-5)
    assert found.loglik == pytest.approx(loglik, abs=6e-6)


@pytest.mark.parametrize("text", [RADIOTHERAPY, WITH_CHEMOTHERAPY])
def test_lifelines_agrees(text: str) -> None:
    left, right = arm(text)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from lifelines import WeibullFitter

        fitted = WeibullFitter().fit_interval_censoring(np.array(left), np.array(right))
    found = fit_weibull(spans(left, right))
    assert found.shape == pytest.approx(fitted.rho_, rel=1e-4)
    assert found.scale == pytest.approx(fitted.lambda_, rel=1e-4)


def test_two_arms_with_a_common_shape() -> None:
    """Accelerated failure time: 3.8993 (.1405), -0.5676, log shape .4791, ll -143.3208; as a
    proportional hazard .9164 (same sources)."""
    a, b = arm(RADIOTHERAPY), arm(WITH_CHEMOTHERAPY)
    treated = [""] * len(a[0]) + ["chemotherapy"] * len(b[0])
    data = spans(a[0] + b[0], a[1] + b[1], properties=[("arm", treated)])
    found = fit_weibull(data, spreads=[INF])
    effect = float(found.effects[0][0])
    assert found.log_scale == pytest.approx(3.8993, abs=6e-5)
    assert found.log_scale_error == pytest.approx(0.1405, abs=6e-5)
    assert effect == pytest.approx(-0.5676, abs=6e-5)
    assert math.log(found.shape) == pytest.approx(0.4791, abs=6e-5)
    assert found.loglik == pytest.approx(-143.3208, abs=6e-5)
    assert -effect * found.shape == pytest.approx(0.9164, abs=6e-5)
    # Likelihood ratio of equal shapes, 5.749.
    apart = sum(fit_weibull(spans(*each)).loglik for each in (a, b))
    assert 2 * (apart - found.loglik) == pytest.approx(5.749, abs=6e-4)


def marks(rng: np.random.Generator, skin: str, count: int, scale: float) -> list[tuple[float, ...]]:
    rows = []
    for lost in scale * rng.weibull(2.0, count):
        seen = np.cumsum(rng.uniform(0.6, 1.4, 8))
        before, after = seen[seen < lost], seen[seen >= lost]
        rows.append((before[-1] if len(before) else 0.0, after[0] if len(after) else INF))
    return rows


def test_a_true_difference_is_found_and_a_false_one_is_not() -> None:
    rng = np.random.default_rng(5)
    rows = marks(rng, "dark", 150, 3.0) + marks(rng, "pale", 150, 6.0)
    left, right = map(list, zip(*rows, strict=True))
    skin = ["dark"] * 150 + ["pale"] * 150
    nobody = [("Ada", "Bo")[i % 2] for i in range(300)]
    data = spans(left, right, properties=[("skin", skin), ("operator", nobody)])
    found = fit_weibull(data)
    apart = float(found.effects[0][1] - found.effects[0][0])
    # log 2 = 0.69; the standard error of the difference is about 0.5 / sqrt(75) = 0.06.
    assert 0.45 < apart < 0.9
    assert found.spreads[1] <= 0.1
    assert found.shape == pytest.approx(2.0, abs=0.35)


def test_a_class_with_few_marks_stays_near_the_herd() -> None:
    rng = np.random.default_rng(6)
    rows = marks(rng, "", 200, 4.0) + [(0.0, 0.5)] * 2
    left, right = map(list, zip(*rows, strict=True))
    data = spans(left, right, properties=[("operator", ["Ada"] * 200 + ["Bo"] * 2)])
    pooled, bare = fit_weibull(data, spreads=[0.4]), fit_weibull(data, spreads=[INF])
    assert abs(float(np.diff(pooled.effects[0])[0])) < 0.5 * abs(float(np.diff(bare.effects[0])[0]))


def test_no_loss_is_no_curve() -> None:
    with pytest.raises(ValueError, match="no loss"):
        fit_weibull(spans([1.0, 2.0], [INF, INF]))


def test_a_constant_risk_is_losses_by_time() -> None:
    """With exactly timed losses the exponential rate is events by exposure; narrow intervals come
    near it."""
    data = spans([1.0, 2.0, 3.0, 4.0], [1.001, 2.001, INF, INF])
    assert fit_weibull(data, shape=1.0).scale == pytest.approx(10.0 / 2, rel=1e-3)
