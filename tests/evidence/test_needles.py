"""Three needles by hand, and which needles only one pattern has."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.evidence.needles import CLUTTER, SHOWS, needle_log_ratio, owners


def test_three_needles_by_hand() -> None:
    # Claim A has needles at places 1 and 2, claim B at places 1 and 3; ink at 1 and 2, none at 3.
    # P(ink | needle) = 0.75, P(ink | none) = 0.05, needles independent:
    #   A: 0.75 * 0.75 * (1 - 0.05) = 0.534375
    #   B: 0.75 * 0.05 * (1 - 0.75) = 0.009375
    places = [("both", 1.0), ("first", 1.0), ("second", 0.0)]
    assert math.exp(needle_log_ratio(places)) == pytest.approx(0.534375 / 0.009375)
    assert math.exp(needle_log_ratio(places)) == pytest.approx(57.0)


def test_the_shares_are_those_of_the_needle_model() -> None:
    from legibility.read.needle_bank import CLUTTER_SHARE, SHOWS_SHARE

    assert (SHOWS, CLUTTER) == (SHOWS_SHARE, CLUTTER_SHARE)


@given(st.lists(st.tuples(st.sampled_from(["first", "second", "both"]), st.floats(0, 1))))
def test_exchanging_the_claims_changes_the_sign(places: list[tuple[str, float]]) -> None:
    other = {"first": "second", "second": "first", "both": "both"}
    exchanged = [(other[owner], inked) for owner, inked in places]
    assert needle_log_ratio(exchanged) == pytest.approx(-needle_log_ratio(places), abs=1e-9)


@given(st.floats(0, 1), st.floats(0, 1))
def test_more_ink_on_its_own_needle_never_hurts_a_claim(a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert needle_log_ratio([("first", low)]) <= needle_log_ratio([("first", high)]) + 1e-12


def test_a_place_seen_as_expected_before_looking_says_nothing() -> None:
    assert needle_log_ratio([("first", SHOWS), ("second", SHOWS)]) == pytest.approx(0.0, abs=1e-12)


def test_owners_by_hand() -> None:
    # Character 30 px high: needles within 3.3 px are one place.
    first, second = owners([(0, 0), (10, 0)], [(0, 3), (20, 0)], height_px=30)
    assert first == ("both", "first")
    assert second == ("both", "second")
    assert owners([], [(1, 1)], height_px=30) == ((), ("second",))
