"""Paired comparison of readings without and with a herd's dies."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest

from legibility.evaluate.learned_dies import HERD_PHOTOS, paired, sign_test


@pytest.mark.parametrize(("better", "worse"), [(0, 0), (1, 0), (9, 2), (3, 3), (30, 11)])
def test_sign_test_is_the_exact_binomial_one(better: int, worse: int) -> None:
    """scipy.stats.binomtest as an oracle."""
    expected = binomtest(better, better + worse).pvalue if better + worse else 1.0
    assert sign_test(better, worse) == pytest.approx(expected)


def test_a_pair_by_hand() -> None:
    before = np.array([True, False, False, True, False])
    after = np.array([True, True, True, False, False])
    found = paired(before, after, np.array([0, 0, 0, HERD_PHOTOS, HERD_PHOTOS]))
    assert (found["mended"], found["spoilt"], found["difference"]) == (2, 1, 0.2)
    assert (found["photos_better"], found["photos_worse"], found["sign_test"]) == (1, 1, 1.0)
    # Two herds with 2 of 3 gained and 1 of 2 lost: a sample holds one, both or the other.
    assert found["interval"] == [-0.5, pytest.approx(2 / 3, abs=1e-4)]


def test_nothing_changed_is_no_difference() -> None:
    same = np.array([True, False] * 20)
    found = paired(same, same, np.arange(40))
    assert found["interval"] == [0.0, 0.0]
    assert found["sign_test"] == 1.0
