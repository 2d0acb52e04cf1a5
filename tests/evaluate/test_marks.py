"""Invented marks and herds."""

from __future__ import annotations

import numpy as np
from rapidfuzz.distance import Hamming

from legibility.alphabet import split_mark
from legibility.evaluate.marks import evaluation_herd, near_twin, random_mark


def test_marks_are_marks():
    rng = np.random.default_rng(0)
    lengths = set()
    for _ in range(500):
        mark = random_mark(rng=rng)
        rows = split_mark(mark)
        lengths.add(sum(map(len, rows)))
    assert lengths == set(range(2, 9))


def test_rows_can_be_chosen():
    rng = np.random.default_rng(0)
    assert all(len(split_mark(random_mark(rng=rng, rows=2))) == 2 for _ in range(100))
    assert all(len(split_mark(random_mark(rng=rng, rows=1))) == 1 for _ in range(100))


def test_herd_has_different_marks_and_near_twins():
    herd = evaluation_herd(400, 3)
    marks = [animal.mark for animal in herd]
    assert len(set(marks)) == len({a.animal_id for a in herd}) == 400
    twins = sum(
        any(len(a) == len(b) and a != b and Hamming.distance(a, b) == 1 for b in marks)
        for a in marks
    )
    assert twins >= 100
    assert herd == evaluation_herd(400, 3)
    assert herd != evaluation_herd(400, 4)


def test_near_twin_differs_in_one_character():
    twin = near_twin("AB/8", rng=np.random.default_rng(0))
    assert Hamming.distance("AB/8", twin) == 1
    assert near_twin("AH", rng=np.random.default_rng(0)) == ""
