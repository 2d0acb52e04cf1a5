"""Reading figures against rapidfuzz."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rapidfuzz.distance import Levenshtein

from legibility.evaluate.metrics import (
    character_rate,
    characters_right,
    confidently_wrong,
    edit_distance,
    exact,
    exact_rate,
    plain,
)
from legibility.marks.alignment import align

MARKS = st.text("AB0O1", max_size=8)


@given(MARKS, MARKS)
def test_edit_distance_matches_rapidfuzz(first, second):
    assert edit_distance(first, second) == Levenshtein.distance(first, second)


@given(MARKS, MARKS)
def test_alignment_costs_the_edit_distance(first, second):
    pairs = align(first, second)
    cost = sum(i is None or j is None or first[i] != second[j] for i, j in pairs)
    assert cost == Levenshtein.distance(first, second)
    assert [i for i, _ in pairs if i is not None] == list(range(len(first)))
    assert [j for _, j in pairs if j is not None] == list(range(len(second)))


@given(MARKS, MARKS)
def test_right_characters_are_matches_of_some_best_alignment(first, second):
    right, total = characters_right(first, second)
    matched = sum(
        op.src_end - op.src_start for op in Levenshtein.opcodes(first, second) if op.tag == "equal"
    )
    assert total == len(first)
    assert matched <= right <= total


@pytest.mark.parametrize(
    ("first", "second", "distance"),
    [("KITTEN", "SITTING", 3), ("SATURDAY", "SUNDAY", 3)],  # textbook examples
)
def test_textbook_distances(first, second, distance):
    assert edit_distance(first, second) == distance


def test_row_breaks_count_for_exactness_but_not_for_characters():
    assert not exact("AB/12", "AB12")
    assert characters_right("AB/12", "AB12") == (4, 4)


def test_merging_look_alikes():
    assert exact("O1", "0I", merge=True)
    assert not exact("O1", "0I")
    assert plain("AO/1I", merge=True) == "A011"


def test_rates_count():
    pairs = [("AB12", "AB12"), ("AB12", "A812"), ("AB12", "")]
    assert (exact_rate(pairs).count, exact_rate(pairs).total) == (1, 3)
    assert (character_rate(pairs).count, character_rate(pairs).total) == (7, 12)
    assert character_rate([]).total == 0


def test_confident_errors_are_a_share_of_all():
    found = confidently_wrong([0.99, 0.95, 0.5, 0.99], [True, False, False, False])
    assert (found.count, found.total) == (2, 4)
