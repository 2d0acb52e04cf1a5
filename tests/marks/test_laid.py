"""Doubt of the way round: a mixture with the uniform distribution that keeps the order."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from legibility.alphabet import N_CLASSES, index_of
from legibility.marks.laid import LAID_EXPONENT, with_doubt_of_way


def cells(seed: int, n: int) -> list[np.ndarray]:
    return list(np.log(np.random.default_rng(seed).dirichlet(np.full(N_CLASSES, 0.3), size=n)))


@given(st.integers(0, 2**31), st.integers(0, 8), st.floats(-40, 0))
def test_it_is_the_mixture_and_keeps_the_order(seed: int, n: int, log_way: float) -> None:
    seen = cells(seed, n)
    said = with_doubt_of_way(seen, log_way)
    assert len(said) == n
    way = np.exp(log_way) ** LAID_EXPONENT
    for before, after in zip(seen, said, strict=True):
        np.testing.assert_allclose(np.exp(after).sum(), 1.0, atol=1e-9)
        np.testing.assert_allclose(
            np.exp(after), way * np.exp(before) + (1 - way) / N_CLASSES, atol=1e-12
        )
        assert after[np.argmax(before)] == after.max()


def test_a_certain_way_changes_nothing_and_an_impossible_one_says_nothing() -> None:
    seen = cells(5, 3)
    np.testing.assert_allclose(with_doubt_of_way(seen, 0.0), seen, atol=1e-9)
    np.testing.assert_allclose(np.exp(with_doubt_of_way(seen, -2000.0)), 1 / N_CLASSES)


def test_the_example_of_the_documentation() -> None:
    clear = np.log(np.where(np.arange(N_CLASSES) == index_of("K"), 0.98, 0.02 / (N_CLASSES - 1)))
    (said,) = with_doubt_of_way([clear], np.log(0.7))
    assert round(float(np.exp(said[index_of("K")])), 2) == 0.82
