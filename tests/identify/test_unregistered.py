from __future__ import annotations

import itertools

import numpy as np
import pytest

from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import build_mark_table
from legibility.identify.rules import Rules
from legibility.identify.unregistered import unregistered_log_likelihood, unregistered_marks
from legibility.settings import Settings
from tests.identify.reading_builder import random_cell, reading

NEVER = Settings(p_swap=0.0, p_wrong_die=0.0, p_turned_die=0.0)


def test_equals_the_average_over_every_mark_the_rules_allow() -> None:
    # Oracle: all 3 + 9 rows and all pairs of them, one by one.
    rng = np.random.default_rng(3)
    rules = Rules(characters="A8B", shortest_row=1, longest_row=2)
    rows = ["".join(p) for n in (1, 2) for p in itertools.product("A8B", repeat=n)]
    marks = rows + [f"{a}/{b}" for a in rows for b in rows]
    weights = [0.5 / 3 ** len(row) for row in rows]
    shares = [0.5 * w for w in weights] + [0.5 * a * b for a in weights for b in weights]
    for seen in (
        reading([[random_cell(rng) for _ in range(2)]]),
        reading([[random_cell(rng)], [random_cell(rng) for _ in range(3)]]),
    ):
        each = registry_log_likelihood(seen, build_mark_table(marks), settings=NEVER)
        wanted = np.log(np.sum(np.array(shares) * np.exp(each)))
        got = unregistered_log_likelihood(seen, unregistered_marks(rules=rules))
        assert got == pytest.approx(wanted, rel=1e-10)


def test_own_shape_is_letters_and_digits_by_place() -> None:
    table = build_mark_table(["A1", "B2", "C3", "DD", "A/7"])
    marks = unregistered_marks(table, own_shape_share=1 - 1e-12)
    own = [layout for layout in marks.layouts if layout.log_share > -20]
    assert sorted(np.exp([layout.log_share for layout in own])) == pytest.approx([0.2, 0.8])
    (two_places,) = [layout for layout in own if layout.rows[0][1] == 2]
    profile = marks.profiles[two_places.rows[0][0]]
    np.testing.assert_allclose(profile.sum(axis=1), 1.0)
    assert profile[0, :26].sum() == pytest.approx(1.0)
    assert profile[1, 26:].sum() == pytest.approx(0.75)


def test_shares_sum_to_one() -> None:
    table = build_mark_table(["A1", "B2", "A/7", "AB/12"])
    for marks in (
        unregistered_marks(),
        unregistered_marks(table),
        unregistered_marks(rules=Rules()),
    ):
        assert np.exp([layout.log_share for layout in marks.layouts]).sum() == pytest.approx(1.0)
