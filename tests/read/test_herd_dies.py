"""The herd's dies weighed against a reading."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.alphabet import N_CHARACTERS, N_CLASSES, index_of
from legibility.probability import normalise_log
from legibility.read.herd_dies import (
    DieWeights,
    features,
    fit_die_weights,
    herd_model,
    load_die_weights,
    weigh,
)
from legibility.read.learned_dies import LearnedDies, merge
from legibility.read.needle_bank import centre_needles, draw_template
from legibility.read.needle_file import load_layouts
from legibility.read.needles import NeedleModel

SHAPE = np.array([[0.0, 0.0], [0.1, 0.5], [0.2, 1.0], [0.6, 0.3], [0.7, 0.8]])


def reading(**chances: float) -> np.ndarray:
    logp = np.full((1, N_CLASSES), -12.0)
    for character, p in chances.items():
        logp[0, index_of(character.strip("_"))] = np.log(p)
    logp[0, -1] = np.log(0.1)
    return normalise_log(logp)


def test_a_known_die_decides_and_no_character_keeps_its_probability() -> None:
    logp, loglik = reading(_8=0.5, B=0.4), np.full((1, N_CHARACTERS), -40.0)
    loglik[0, index_of("B")] = 0.0
    after = weigh(logp, loglik, "8B", DieWeights(1.0, 0.5, 0.0))
    assert after[0].argmax() == index_of("B")
    assert np.exp(after).sum() == pytest.approx(1.0)
    assert after[0, -1] == pytest.approx(logp[0, -1])


def test_without_known_dies_or_weight_nothing_changes() -> None:
    logp, loglik = reading(_8=0.5, B=0.4), np.zeros((1, N_CHARACTERS))
    assert np.array_equal(weigh(logp, loglik, "", DieWeights(1.0, 0.5, 1.0)), logp)
    assert weigh(logp, loglik, "8B", DieWeights(1.0, 0.0, 0.0)) == pytest.approx(logp)


def test_known_characters_stand_as_taught_and_others_as_shipped() -> None:
    base = NeedleModel.from_layouts(load_layouts()[0][:2], die_trust=0.0)
    dies = merge(LearnedDies(), [("K", SHAPE), ("K", SHAPE[:4])])
    bank = herd_model(dies, base).bank
    k, b = index_of("K"), index_of("B")
    for own, shipped in zip(bank.layouts, base.bank.layouts, strict=True):
        assert own.needles[b] is shipped.needles[b]
        assert own.weight(k) == 1.0
        assert own.weight(b) == shipped.weight(b)
    # Two dies of one character take turns.
    assert [len(layout.needles[k]) for layout in bank.layouts] == [5, 4]
    # The lengthened basis holds the known templates exactly, and the others as before.
    for at, layout in enumerate(bank.layouts):
        row = bank.coefficients[at * N_CHARACTERS + k] @ bank.basis
        drawn = draw_template(centre_needles(layout.needles[k]), bank.grid)
        assert row == pytest.approx(drawn, abs=1e-4)
        other = bank.coefficients[at * N_CHARACTERS + b] @ bank.basis
        before = base.bank.coefficients[at * N_CHARACTERS + b] @ base.bank.basis
        assert other == pytest.approx(before, abs=1e-5)


def test_fit_is_the_multinomial_optimum() -> None:
    """Checked by the condition of the optimum: features under the model average to the truth's
    (Bishop, Pattern Recognition and Machine Learning, 4.3.4)."""
    rng = np.random.default_rng(0)
    truth = rng.integers(0, N_CHARACTERS, 400)
    logp = normalise_log(rng.normal(size=(400, N_CLASSES)))
    loglik = rng.normal(size=(400, N_CHARACTERS))
    logp[np.arange(400), truth] += 1.5
    loglik[np.arange(400), truth] += 2.0
    block = features(normalise_log(logp), loglik, "ABCDEFGHIJKLMNOPQR")
    weights = fit_die_weights([block], [truth])
    vector = np.array([weights.reading, weights.needles, weights.known])
    share = np.exp(normalise_log(block @ vector))
    expected = np.einsum("nc,ncr->r", share, block)
    assert expected == pytest.approx(block[np.arange(400), truth].sum(axis=0), rel=1e-2, abs=0.5)


def test_shipped_weights_give_the_dies_a_say() -> None:
    weights = load_die_weights()
    assert weights.needles > 0.1
    assert weights.reading > 0.1


def test_nothing_to_fit_on_is_refused() -> None:
    with pytest.raises(ValueError, match="no readings"):
        fit_die_weights([], [])
