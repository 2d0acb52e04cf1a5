"""Characters that look alike are the same: against a sum over all marks, and what must not move."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS, index_of
from legibility.marks.same_dies import agreed

FEW = ("8", "6", "B")


def cells(seen: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Log-probabilities of cells over ``FEW``, (n, 3)."""
    out = np.full((len(seen), N_CHARACTERS + 1), 1e-13)
    out[:, [index_of(c) for c in FEW]] += seen
    return list(np.log(out / out.sum(axis=1, keepdims=True)))


@given(st.integers(0, 2**31), st.floats(-2.5, 2.5))
def test_of_two_cells_it_is_the_exact_marginal(seed: int, ratio: float) -> None:
    seen = np.random.default_rng(seed).dirichlet(np.ones(3), size=2)
    expected = np.zeros((2, 3))
    for a, b in itertools.product(range(3), repeat=2):
        chance = seen[0, a] * seen[1, b] * (np.exp(ratio) if a == b else 1.0)
        expected[0, a] += chance
        expected[1, b] += chance
    expected /= expected.sum(axis=1, keepdims=True)
    said = np.exp(agreed(cells(seen), np.array([[0.0, ratio], [ratio, 0.0]])))
    np.testing.assert_allclose(said[:, [index_of(c) for c in FEW]], expected, atol=1e-9)


def test_an_unclear_character_follows_the_clear_one_it_looks_like() -> None:
    seen = np.array([[0.98, 0.01, 0.01], [0.4, 0.55, 0.05]])
    eight, six = index_of("8"), index_of("6")
    like = agreed(cells(seen), np.array([[0.0, 2.0], [2.0, 0.0]]))[1]
    unlike = agreed(cells(seen), np.array([[0.0, -2.0], [-2.0, 0.0]]))[1]
    assert like[eight] > like[six]
    # 0.55 (1 - 0.01 k) over itself, 0.40 (1 - 0.98 k) and 0.05 (1 - 0.01 k); k = 1 - exp(-2).
    assert np.exp(unlike[six]) == pytest.approx(0.8313, abs=1e-3)


@given(st.integers(1, 8), st.integers(0, 2**31))
def test_without_likeness_nothing_changes_and_sums_stay_one(n: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    given_cells = cells(rng.dirichlet(np.ones(3), size=n))
    for before, after in zip(given_cells, agreed(given_cells, np.zeros((n, n))), strict=True):
        np.testing.assert_allclose(after, before, atol=1e-9)
    alike = rng.uniform(-2.5, 2.5, (n, n))
    for row in agreed(given_cells, alike + alike.T):
        assert np.isfinite(row).all()
        np.testing.assert_allclose(np.exp(row).sum(), 1.0)


def test_the_diagonal_is_not_used_and_the_input_stays() -> None:
    seen = cells(np.array([[0.5, 0.3, 0.2], [0.2, 0.5, 0.3]]))
    alike = np.array([[9.0, 1.0], [1.0, 9.0]])
    kept = alike.copy()
    without = agreed(seen, np.array([[0.0, 1.0], [1.0, 0.0]]))
    np.testing.assert_array_equal(agreed(seen, alike), without)
    np.testing.assert_array_equal(alike, kept)


def test_a_table_of_another_size_is_refused() -> None:
    with pytest.raises(ValueError, match=r"\(3, 3\); expected \(2, 2\)"):
        agreed(cells(np.full((2, 3), 1 / 3)), np.zeros((3, 3)))
    assert agreed([], np.zeros((0, 0))) == ()
