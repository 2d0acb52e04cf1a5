"""How marks are usually written, against a sum over all marks."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, NO_CHARACTER, index_of
from legibility.marks.usual import LAST_LETTER, LETTERS_FIRST, as_usually_written, log_usual

FEW = "A8B1"


def cell(**chances: float) -> NDArray[np.float64]:
    """Log-probabilities of a cell; ``_8`` names a digit, ``nothing`` "no character"."""
    values = np.full(N_CHARACTERS + 1, 1e-12)
    for name, chance in chances.items():
        index = NO_CHARACTER if name == "nothing" else index_of(name.strip("_"))
        values[index] += chance
    return np.asarray(np.log(values / values.sum()))


def prior(mark: str) -> float:
    """Probability of a written mark, straight from the definition in the module's words."""
    letters = [character.isalpha() for character in mark]
    n = len(mark)
    chance = 0.0
    for first in range(n + 1):
        if letters == [True] * first + [False] * (n - first):
            chance += LETTERS_FIRST / (n + 1) / 26**first / 10 ** (n - first)
    last = LAST_LETTER if n > 1 else 0.0
    if n > 1 and letters == [False] * (n - 1) + [True]:
        chance += last / 10 ** (n - 1) / 26
    return chance + (1 - LETTERS_FIRST - last) / N_CHARACTERS**n


@given(st.integers(1, 3), st.integers(0, 2**31))
def test_it_is_bayes_rule_over_all_marks(n: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    seen = rng.dirichlet(np.full(len(FEW), 0.6), size=n)
    cells = [
        cell(**{("_" if c.isdigit() else "") + c: seen[k, i] for i, c in enumerate(FEW)})
        for k in range(n)
    ]
    expected = np.zeros((n, len(FEW)))
    for mark in itertools.product(range(len(FEW)), repeat=n):
        chance = prior("".join(FEW[i] for i in mark)) * np.prod(seen[np.arange(n), mark])
        expected[np.arange(n), mark] += chance
    said = np.exp(as_usually_written(cells))[:, [index_of(c) for c in FEW]]
    np.testing.assert_allclose(said, expected / expected.sum(axis=1, keepdims=True), atol=1e-6)
    # The usual ways against any characters alike: the sum over all marks under either prior.
    np.testing.assert_allclose(
        log_usual(cells), np.log(expected[0].sum() * N_CHARACTERS**n), atol=1e-6
    )


def test_of_two_ways_round_the_usual_one_gains() -> None:
    upright = [cell(_9=1), cell(_4=1), cell(_8=1), cell(_2=1)]
    mirrored = [cell(_5=1), cell(_8=1), cell(H=1), cell(P=1)]
    assert log_usual(upright) - log_usual(mirrored) > 2
    assert log_usual([]) == 0.0
    flat = np.full(N_CHARACTERS + 1, -np.log(N_CHARACTERS + 1))
    assert abs(log_usual([flat] * 4)) < 1e-9


def test_a_letter_between_digits_loses_and_between_letters_gains() -> None:
    either = cell(B=0.5, _8=0.5)
    b, eight = index_of("B"), index_of("8")
    among_digits = as_usually_written([cell(_4=1), either, cell(_7=1), cell(_1=1)])[1]
    among_letters = as_usually_written([cell(K=1), either, cell(T=1), cell(_1=1)])[1]
    assert np.exp(among_digits[b]) < 0.1 < 0.9 < np.exp(among_digits[eight])
    # Less sure: among any characters there are more letters than digits.
    assert np.exp(among_letters[eight]) < 0.3 < 0.7 < np.exp(among_letters[b])


def test_a_clear_character_stays_whatever_stands_around_it() -> None:
    cells = [cell(_4=1), cell(Z=0.999, _2=0.001), cell(_7=1)]
    assert np.exp(as_usually_written(cells)[1][index_of("Z")]) > 0.9


def test_a_place_without_a_character_breaks_no_run() -> None:
    either = cell(O=0.5, _0=0.5)
    plain = as_usually_written([cell(_4=1), either, cell(_7=1)])
    gap = as_usually_written([cell(_4=1), cell(nothing=1), either, cell(_7=1)])
    assert np.exp(gap[1][NO_CHARACTER]) > 0.999
    assert abs(np.exp(gap[2][index_of("0")]) - np.exp(plain[1][index_of("0")])) < 0.02


@given(st.lists(st.integers(0, N_CHARACTERS), max_size=24), st.floats(0, 700))
def test_extremes_stay_finite(best: list[int], steepness: float) -> None:
    cells = [np.where(np.arange(N_CHARACTERS + 1) == b, 0.0, -steepness) for b in best]
    cells = [c - np.logaddexp.reduce(c) for c in cells]
    said = as_usually_written(cells)
    assert len(said) == len(best)
    for row in said:
        assert np.isfinite(row).all()
        np.testing.assert_allclose(np.exp(row).sum(), 1.0, atol=1e-9)


def test_unread_cells_stay_unread() -> None:
    flat = np.full(N_CHARACTERS + 1, -np.log(N_CHARACTERS + 1))
    for row in as_usually_written([flat] * 4):
        assert np.exp(row[:N_CHARACTERS]).max() < 0.1
        assert len(CHARACTERS) == N_CHARACTERS
