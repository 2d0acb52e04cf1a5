"""Presence beside the row's other places: regression against scikit-learn, and what must hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.linear_model import LogisticRegression

from legibility.alphabet import NO_CHARACTER
from legibility.read.presence import (
    RIDGE,
    PresenceModel,
    fit_presence,
    presence_odds,
    weigh_presence,
)


def row(*presence: float) -> np.ndarray:
    """Places with a given probability of a character; "A" twice as likely as each other one."""
    shares = np.ones(36)
    shares[0] = 2.0
    shares /= shares.sum()
    p = np.asarray(presence)[:, None]
    return np.log(np.hstack([p * shares, 1 - p]))


def test_odds_of_a_place_and_of_the_others() -> None:
    odds = presence_odds(row(0.5, 0.8, 0.2))
    # log .8/.2 = 1.386; the others' mean of the first is (1.386 - 1.386) / 2.
    assert odds[:, 0] == pytest.approx([0.0, 1.3863, -1.3863], abs=1e-4)
    assert odds[:, 1] == pytest.approx([0.0, -0.6931, 0.6931], abs=1e-4)
    assert presence_odds(row(0.8))[0] == pytest.approx([1.3863, 1.3863], abs=1e-4)
    assert presence_odds(np.zeros((0, 37))).shape == (0, 2)


@given(
    st.lists(st.floats(1e-9, 1 - 1e-9), min_size=1, max_size=8),
    st.tuples(st.floats(-3, 3), st.floats(0, 3), st.floats(-2, 2)),
)
def test_probabilities_sum_to_one_and_characters_keep_their_ratios(
    presence: list[float], weights: tuple[float, float, float]
) -> None:
    given_logp = row(*presence)
    out = weigh_presence(PresenceModel(*weights), given_logp)
    np.testing.assert_allclose(np.exp(out).sum(axis=1), 1.0, atol=1e-9)
    np.testing.assert_allclose(out[:, 0] - out[:, 1], given_logp[:, 0] - given_logp[:, 1])
    assert np.isfinite(out).all()


def test_the_neutral_model_passes_a_row_on() -> None:
    given_logp = row(0.3, 0.9, 0.99)
    np.testing.assert_allclose(weigh_presence(PresenceModel(), given_logp), given_logp, atol=1e-12)


def test_certain_places_stay_finite() -> None:
    logp = np.full((2, 37), -np.inf)
    logp[0, 5] = 0.0
    logp[1, NO_CHARACTER] = 0.0
    odds = presence_odds(logp)
    assert odds[:, 0] == pytest.approx([8.0, -8.0])


def test_a_weak_place_among_clear_ones_is_likelier_a_character() -> None:
    model = PresenceModel(bias=0.0, own=1.0, others=0.5)
    among = weigh_presence(model, row(0.98, 0.4, 0.98))[1, NO_CHARACTER]
    beside = weigh_presence(model, row(0.1, 0.4, 0.1))[1, NO_CHARACTER]
    assert among < beside


def test_fit_is_the_logistic_regression_of_a_reference() -> None:
    # scikit-learn's LogisticRegression, unpenalised, as the reference.
    rng = np.random.default_rng(3)
    rows = [row(*rng.uniform(0.02, 0.98, size=6)) for _ in range(400)]
    odds = np.concatenate([presence_odds(r) for r in rows])
    logit = 0.7 + 1.4 * odds[:, 0] + 0.5 * odds[:, 1]
    truth = rng.random(len(logit)) < 1 / (1 + np.exp(-logit))
    model = fit_presence(rows, np.split(truth, 400))
    reference = LogisticRegression(C=np.inf, tol=1e-8).fit(odds, truth)
    # The weak pull towards the pool moves the weights by about RIDGE over the curvature.
    room = 40 * RIDGE
    assert model.bias == pytest.approx(float(reference.intercept_[0]), abs=room)
    assert [model.own, model.others] == pytest.approx(reference.coef_[0].tolist(), abs=room)


def test_nothing_to_fit_on_is_said() -> None:
    with pytest.raises(ValueError, match="no places"):
        fit_presence([], [])
    with pytest.raises(ValueError, match="length"):
        fit_presence([row(0.5)], [np.array([True, False])])
