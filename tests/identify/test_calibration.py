from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.identify.calibration import FinalCalibration, numbers, posterior

PRIOR = 0.1
HONEST = FinalCalibration(exponent=1.0, floor=0.0)
SLOPED = FinalCalibration(
    exponent=0.9,
    floor=0.01,
    not_registered_shift=0.5,
    exponent_size=-0.2,
    exponent_doubt=0.3,
    floor_size=0.4,
    floor_doubt=0.7,
    shift_size=-0.3,
    photos_fitted=300,
)


def test_posterior_by_hand() -> None:
    # Two animals, likelihood ratio 3 : 1, not registered 1; prior .45 .45 .10.
    logs = np.log([3.0, 1.0, 1.0])
    p = posterior(logs, not_registered_prior=PRIOR, calibration=HONEST)
    np.testing.assert_allclose(p, np.array([1.35, 0.45, 0.10]) / 1.9)
    floor = FinalCalibration(exponent=1.0, floor=0.2)
    q = posterior(logs, not_registered_prior=PRIOR, calibration=floor)
    np.testing.assert_allclose(q, 0.8 * p + 0.2 * np.array([0.45, 0.45, 0.10]))
    half = posterior(
        logs, not_registered_prior=PRIOR, calibration=HONEST, logp_no_mark=float(np.log(0.5))
    )
    # The registry explains the reading 1.9 times better than "not registered" does, so the even
    # odds of "no mark" become 1 : 1.9.
    chance = 1 / 2.9
    np.testing.assert_allclose(half, (1 - chance) * p + chance * np.array([0.45, 0.45, 0.10]))


def test_slopes_by_hand() -> None:
    # 4,000 animals are one unit of size above 400; a certainty of 0.6 is two units of doubt.
    got = numbers(SLOPED, 4000, 0.6)
    assert got.exponent == pytest.approx(0.9 * np.exp(-0.2 - 2 * 0.3))
    odds = 0.01 / 0.99 * np.exp(0.4 + 2 * 0.7)
    assert got.floor == pytest.approx(odds / (1 + odds))
    assert got.shift == pytest.approx(0.5 - 0.3)
    at_centre = numbers(SLOPED, 400, 1.0)
    assert (at_centre.exponent, at_centre.floor) == pytest.approx((0.9, 0.01))


def test_no_probability_exceeds_what_the_photos_can_show() -> None:
    # Rule of succession: after n right answers in n trials the next fails with 1 / (n + 2).
    bold = FinalCalibration(exponent=3.0, floor=1e-6, floor_size=-3.0, photos_fitted=98)
    p = posterior(np.array([900.0, *[0.0] * 999]), not_registered_prior=PRIOR, calibration=bold)
    assert p.max() <= 1 - 0.01 * (1 - 0.9 / 998) + 1e-12


@pytest.mark.parametrize("values", [[-np.inf] * 3, [0.0, -1e9, -np.inf], [1e9, 1e9, 0.0]])
@pytest.mark.parametrize("calibration", [FinalCalibration(), SLOPED])
def test_posterior_stays_finite(values: list[float], calibration: FinalCalibration) -> None:
    for certainty in (0.0, 1.0):
        p = posterior(
            np.array(values),
            not_registered_prior=PRIOR,
            calibration=calibration,
            certainty=certainty,
        )
        assert np.isfinite(p).all()
        assert p.sum() == pytest.approx(1.0)


@given(
    st.lists(st.floats(-40, 40), min_size=2, max_size=12),
    st.floats(0.0, 20.0),
    st.floats(0.0, 1.0),
    st.floats(1e-6, 0.4),
)
def test_more_likelihood_never_makes_an_animal_less_probable(
    values: list[float], more: float, certainty: float, no_mark: float
) -> None:
    before, after = np.array(values), np.array(values)
    after[0] += more

    def probability(logs: np.ndarray) -> np.ndarray:
        return posterior(
            logs,
            not_registered_prior=PRIOR,
            calibration=SLOPED,
            certainty=certainty,
            logp_no_mark=float(np.log(no_mark)),
        )

    p, q = probability(before), probability(after)
    assert q[0] >= p[0] - 1e-12
    order = np.argsort(before[:-1])
    assert np.all(np.diff(p[:-1][order]) >= -1e-12)


def test_doubt_only_takes_certainty_away() -> None:
    logs = np.array([8.0, *[0.0] * 50])
    tops = [
        posterior(logs, not_registered_prior=PRIOR, calibration=SLOPED, certainty=c).max()
        for c in np.linspace(1.0, 0.2, 9)
    ]
    assert np.all(np.diff(tops) <= 1e-12)
