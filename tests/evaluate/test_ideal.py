"""The ideal observer."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from legibility.evaluate.ideal import inked_log_ratio, read_ideally
from legibility.evaluate.metrics import character_rate
from legibility.evaluate.pose import SceneChoices
from legibility.evaluate.scene import evaluation_set, no_mark


@pytest.mark.parametrize("z", [-2.0, 0.0, 1.5, 5.0])
def test_closed_form_matches_numerical_integration(z):
    full, mean, sd, loss = 6.0, 0.5, 0.1, 0.2

    def integrand(a):
        s = full * a
        return norm.pdf(a, mean, sd) * norm.pdf(z, s, 1.0) / norm.pdf(z, 0.0, 1.0)

    expected = np.log(loss + (1 - loss) * quad(integrand, mean - 9 * sd, mean + 9 * sd)[0])
    got = inked_log_ratio(np.array([z]), full=full, mean=mean, sd=sd, loss=loss)
    assert got[0] == pytest.approx(expected, abs=1e-6)


def test_reads_fresh_marks_and_not_lost_ones():
    def accuracy(level: int) -> float:
        choices = SceneChoices(width_px=480, height_px=360, fading=level, mark_share=0.6)
        photos = evaluation_set(n=8, seed=40, choices=choices)
        pairs = [(p.truth.mark, read_ideally(p).text) for p in photos]
        return character_rate(pairs, merge=True).value

    assert accuracy(0) > 0.7
    assert accuracy(4) < 0.3


def test_needs_a_mark():
    photo = no_mark(kind="brick.png", rng=np.random.default_rng(0), name="x")
    with pytest.raises(ValueError, match="no mark"):
        read_ideally(photo)
