"""Bounds of coding theory against the values of its textbooks (MacWilliams & Sloane, ch. 1)."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from legibility.risk.bounds import ball, code_bounds


def test_binary_hamming_code_meets_its_bound() -> None:
    # (7, 16, 3): the Hamming code; Gilbert-Varshamov 128/29 = 4.41.
    bounds = code_bounds([2] * 7, 3)
    assert float(bounds.gilbert_varshamov) == pytest.approx(4.41, abs=0.005)
    assert bounds.hamming == 16


def test_golay_codes_meet_the_hamming_bound() -> None:
    assert code_bounds([2] * 23, 7).hamming == 4096
    assert code_bounds([3] * 11, 5).hamming == 729


def test_one_check_character_meets_the_singleton_bound() -> None:
    bounds = code_bounds([32] * 4, 2)
    assert float(bounds.gilbert_varshamov) == pytest.approx(8388.6, abs=0.05)
    assert bounds.singleton == bounds.at_most == 32_768
    bounds = code_bounds([36] * 4, 2)
    assert math.floor(bounds.gilbert_varshamov) == 11_912
    assert bounds.singleton == 46_656


@given(st.lists(st.integers(1, 3), min_size=1, max_size=4), st.data())
@settings(max_examples=40, deadline=None)
def test_bounds_bracket_the_largest_code_of_small_spaces(
    sizes: list[int], data: st.DataObject
) -> None:
    distance = data.draw(st.integers(1, len(sizes)))
    words = list(itertools.product(*map(range, sizes)))

    def apart(a: tuple[int, ...], b: tuple[int, ...]) -> int:
        return sum(x != y for x, y in zip(a, b, strict=True))

    centre = tuple(0 for _ in sizes)
    assert ball(sizes, distance) == sum(apart(word, centre) <= distance for word in words)
    # A code that cannot be enlarged has at least as many words as Gilbert promises.
    code: list[tuple[int, ...]] = []
    for word in words:
        if all(apart(word, other) >= distance for other in code):
            code.append(word)
    bounds = code_bounds(sizes, distance)
    assert bounds.gilbert_varshamov <= len(code) <= bounds.at_most


def test_what_makes_no_code_is_refused() -> None:
    with pytest.raises(ValueError, match="distance is 5"):
        code_bounds([36] * 4, 5)
    with pytest.raises(ValueError, match="one or more"):
        code_bounds([], 1)
