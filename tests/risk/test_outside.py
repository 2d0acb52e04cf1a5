"""The measured kernel against what others measured on people and machines.

Sources: letter similarity judged by people, Simpson, Mousikou, Montoya & Defior 2013, Behav. Res.
Methods 45:431-439 (supplement; the most and least similar pairs only); confusions of a 5-nearest-
neighbour classifier on the 5,000 handwritten digits of ``digits.png`` (Debian ``opencv-doc``).
"""

from __future__ import annotations

import numpy as np
import pytest

from legibility.alphabet import N_CHARACTERS, index_of
from legibility.risk.kernel import load_kernel

SIMILAR = {
    "OQ": 6.00, "CG": 5.30, "MW": 5.27, "PR": 5.27, "CO": 5.23, "UV": 5.23, "EF": 5.20, "BD": 4.80,
    "MN": 4.73, "VW": 4.72, "BP": 4.67, "VY": 4.63, "BR": 4.60, "CQ": 4.43, "FP": 4.43, "GO": 4.33,
    "DO": 4.27,
}  # fmt: skip
"""Simpson et al. 2013: the seventeen most similar pairs, on a scale from 1 to 7."""
UNLIKE = {"BW": 1.03, "IS": 1.03, "SV": 1.06}
"""Simpson et al. 2013: the least similar pairs."""
PLAUSIBLE = 0.003
"""Choice: mean of both ways, of what is read."""
DIGITS = {
    "49": 28, "12": 15, "79": 13, "38": 13, "35": 13, "89": 9, "14": 8, "58": 8, "23": 7, "28": 6,
}  # fmt: skip
"""Errors of 5-NN on ``digits.png``, both ways together; handwriting, so only a weak relation."""


def confusions(conditions: tuple[str, ...] = ("worn",)) -> np.ndarray:
    """(36, 36) mean of both ways, given that a character was read, on worn marks."""
    kernel = load_kernel()
    total = np.zeros((N_CHARACTERS, N_CHARACTERS))
    for condition in conditions:
        read = kernel.at(condition)[:, :N_CHARACTERS]
        total += read / read.sum(axis=1, keepdims=True) / len(conditions)
    return (total + total.T) / 2


def of_pair(matrix: np.ndarray, pair: str) -> float:
    return float(matrix[index_of(pair[0]), index_of(pair[1])])


def letters(matrix: np.ndarray) -> np.ndarray:
    """The 325 pairs of different letters, ascending."""
    return np.sort(matrix[:26, :26][np.triu_indices(26, 1)])


def test_pairs_people_find_similar_are_plausible_and_the_unlike_are_not() -> None:
    matrix = confusions()
    all_pairs = letters(matrix)
    share_below = {
        pair: float(np.searchsorted(all_pairs, of_pair(matrix, pair)) / len(all_pairs))
        for pair in (*SIMILAR, *UNLIKE)
    }
    for pair in SIMILAR:
        assert of_pair(matrix, pair) >= PLAUSIBLE, pair
        assert share_below[pair] > 0.75, share_below
    for pair in UNLIKE:
        assert of_pair(matrix, pair) < PLAUSIBLE, pair
        assert share_below[pair] < 0.5, share_below


def test_rank_correlation_over_the_published_pairs() -> None:
    from scipy.stats import spearmanr

    known = {**SIMILAR, **UNLIKE}
    matrix = confusions()
    result = spearmanr([of_pair(matrix, p) for p in known], list(known.values()))
    assert result.statistic > 0.28  # 1-NN on the UCI letter data, over all pairs (same source)


def test_digit_confusions_of_another_classifier_are_among_the_likelier() -> None:
    matrix = confusions()[26:, 26:]
    ranked = np.sort(matrix[np.triu_indices(10, 1)])
    weights = np.array(list(DIGITS.values()), dtype=float)
    ranks = np.array(
        [np.searchsorted(ranked, matrix[int(p[0]), int(p[1])]) / len(ranked) for p in DIGITS]
    )
    assert (ranks * weights).sum() / weights.sum() > 0.5


def test_e_is_taken_for_f_more_often_than_f_for_e() -> None:
    """Townsend 1971, Percept. Psychophys. 9:40-50, as noted by later readers of its tables."""
    kernel = load_kernel()
    e, f = index_of("E"), index_of("F")
    there = sum(kernel.at(c)[e, f] for c in ("worn", "faint", "lost"))
    back = sum(kernel.at(c)[f, e] for c in ("worn", "faint", "lost"))
    assert there == pytest.approx(max(there, back))
