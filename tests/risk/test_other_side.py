"""Marks that a mirror turns into themselves with one fault."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.alphabet import N_CHARACTERS, index_of
from legibility.risk.card import SAME_EITHER_WAY, CardPlace, CardView, Verdict
from legibility.risk.other_side import LEFT_RIGHT, TOP_BOTTOM, fault_of_other_side
from legibility.risk.proof import prove


@pytest.mark.parametrize(
    ("mark", "fault"),
    [
        ("A8", "die 1 upside down"),
        ("3", "die 1 upside down"),
        ("A3A", "die 2 upside down"),
        ("MA", "order swapped at 1-2"),
        ("A8/3X", ""),
        ("88", ""),
        ("AA", ""),
        ("K417", ""),
        ("T/T", ""),
        ("MA/AM", ""),
        ("8A/8A", ""),
        ("X/3", "die 1 of row 2 upside down"),
    ],
)
def test_by_a_mirror(mark: str, fault: str) -> None:
    """By hand, with the letters written on glass."""
    assert fault_of_other_side(tuple(mark.split("/"))) == fault


def test_what_both_mirrors_leave_half_a_turn_leaves() -> None:
    """Two mirrors at right angles are half a turn (plane geometry)."""
    assert SAME_EITHER_WAY | {"1"} >= LEFT_RIGHT & TOP_BOTTOM
    # What half a turn and one mirror leave the other leaves too.
    assert SAME_EITHER_WAY & LEFT_RIGHT == SAME_EITHER_WAY & TOP_BOTTOM


def card(mark: str, *, mirrored: bool) -> CardView:
    places = []
    for character in mark:
        up = np.full(N_CHARACTERS, -20.0)
        up[index_of(character)] = 0.0
        places.append(CardPlace(up, np.full(N_CHARACTERS, -20.0)))
    return CardView(0.0, (tuple(places),), mirrored)


def test_a_card_that_only_its_back_makes_right_is_not_called_right() -> None:
    behind = prove("A8", [card("A8", mirrored=True)])
    assert behind.verdict is Verdict.CANNOT_TELL
    assert behind.probability <= 0.5
    assert "die 1 upside down if it shows the front" in behind.sentence
    front = prove("A8", [card("A8", mirrored=False)])
    assert front.verdict is Verdict.RIGHT
    assert "if this is its front (from behind: die 1 upside down)" in front.sentence
    assert prove("K417", [card("K417", mirrored=True)]).verdict is Verdict.RIGHT
