"""Which characters to leave out, beside what published standards leave out.

9 CFR 79.1 (flock numbers) and ISO 3779 / 49 CFR 565 (vehicle numbers): I, O, Q; year letters of
goat registries: American Boer Goat Association I, O, Q, U, American Dairy Goat Association G, I,
O, Q, U; Beef Improvement Federation I, O, Q, V; Crockford's Base32: I, L, O, U.
"""

from __future__ import annotations

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS, N_CHARACTERS, N_CLASSES, index_of
from legibility.risk.alphabet_choice import leave_out
from legibility.risk.kernel import load_kernel

STANDARDS = {"9 CFR 79.1": "IOQ", "ISO 3779": "IOQ", "ABGA": "IOQU", "ADGA": "GIOQU"}
BUDGET = 20


def plain(confusions: dict[str, float]) -> np.ndarray:
    matrix = np.zeros((N_CHARACTERS, N_CLASSES))
    for pair, p in confusions.items():
        matrix[index_of(pair[0]), index_of(pair[1])] = p
    np.fill_diagonal(matrix, 1 - matrix.sum(axis=1))
    return matrix


def test_the_most_confused_character_goes_first_and_the_digit_stays() -> None:
    matrix = plain({"8B": 0.2, "B8": 0.2, "B3": 0.05, "5S": 0.1, "S5": 0.1})
    steps = leave_out(matrix, budget=2)
    assert [(step.character, step.confused_with) for step in steps] == [("B", "8"), ("S", "5")]
    assert steps[0].probability == pytest.approx(0.2)
    assert steps[-1].remaining == 0.0


def test_characters_that_never_share_a_place_are_not_confused() -> None:
    together = np.ones((N_CHARACTERS, N_CHARACTERS))
    together[:26, 26:] = together[26:, :26] = 0.0
    steps = leave_out(plain({"8B": 0.2, "38": 0.1}), budget=1, together=together)
    assert steps[0].character in "83"


def test_two_characters_always_remain() -> None:
    assert len(leave_out(plain({}), characters="ABC", budget=9)) == 1


@pytest.mark.parametrize("name", STANDARDS)
def test_what_standards_leave_out_is_reproduced_at_some_budget(name: str) -> None:
    order = "".join(s.character for s in leave_out(load_kernel().at("worn"), budget=BUDGET))
    assert set(STANDARDS[name]) <= set(order), order


def test_what_is_not_reproduced_is_explained() -> None:
    """V (BIF) and L (Crockford) are clear in capitals made of dots: each is confused less than the
    median character. V is left out for U, L for the small letter l that looks like 1."""
    read = load_kernel().at("worn")[:, :N_CHARACTERS].copy()
    np.fill_diagonal(read, 0.0)
    total = (read + read.T).sum(axis=1)
    for character in "VL":
        assert total[index_of(character)] < np.median(total), CHARACTERS
