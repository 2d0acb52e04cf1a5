from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from scipy.stats import binom, nbinom

from legibility.alphabet import CHARACTERS, N_CLASSES
from legibility.identify.emissions import Prices
from legibility.identify.layouts import even_layouts, learned_layouts
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import build_mark_table
from legibility.identify.views import placements
from legibility.settings import Settings
from tests.identify.brute_force import photo_log_likelihood
from tests.identify.reading_builder import cell, cell_of, random_cell, reading, sure

FREQUENT = Settings(p_swap=0.11, p_wrong_die=0.07, p_turned_die=0.05)
PRICES = Prices(
    extra_cell=0.13, missed_cell=0.17, extra_row=0.06, missed_row=0.09, crossed_rows=0.04
)
MARKS = ["6", "A", "69", "77", "ML1", "AAB", "W6M9", "12345", "6/9", "AB/12", "AB/123", "7/LM"]


@pytest.mark.parametrize("layout", [(0,), (1,), (2,), (3,), (4,), (2, 2), (1, 3)])
def test_agrees_with_enumeration_of_every_event_and_alignment(layout: tuple[int, ...]) -> None:
    # Oracle: tests/identify/brute_force.py, written from the model's definition alone.
    rng = np.random.default_rng(sum(layout) + 10 * len(layout))
    seen = reading(
        [[random_cell(rng) for _ in range(cells)] for cells in layout],
        [[random_cell(rng) for _ in range(cells)] for cells in layout[:1]],
        weights=[0.7, 0.2],
        no_mark=0.1,
    )
    got = registry_log_likelihood(seen, build_mark_table(MARKS), settings=FREQUENT, prices=PRICES)
    wanted = [photo_log_likelihood(seen, mark, FREQUENT, PRICES) for mark in MARKS]
    np.testing.assert_allclose(got, wanted, rtol=1e-10)


@pytest.mark.parametrize("layout", [(0,), (3,), (4,), (2, 2), (1, 3)])
@pytest.mark.parametrize("learned", [False, True])
def test_open_layouts_agree_with_enumeration(layout: tuple[int, ...], learned: bool) -> None:
    # Oracle: tests/identify/brute_force.py, which tries every layout, event and alignment.
    rng = np.random.default_rng(sum(layout) + 10 * len(layout) + 100 * learned)
    seen = reading(
        [[random_cell(rng) for _ in range(cells)] for cells in layout],
        [[random_cell(rng) for _ in range(cells)] for cells in layout[:1]],
        weights=[0.7, 0.2],
        no_mark=0.1,
    )
    layouts = even_layouts()
    if learned:
        counts = {(5, 2): 30.0, (5, 0): 4.0, (3, 1): 12.0, (4, 0): 50.0}
        layouts = learned_layouts(counts, basis="test")
    table = build_mark_table(MARKS)
    got = registry_log_likelihood(seen, table, settings=FREQUENT, prices=PRICES, layouts=layouts)
    wanted = [
        photo_log_likelihood(seen, mark, FREQUENT, PRICES, layouts.probability) for mark in MARKS
    ]
    np.testing.assert_allclose(got, wanted, rtol=1e-10)
    few = np.array([10, 1, 4, 7])
    some = registry_log_likelihood(
        seen, table, settings=FREQUENT, prices=PRICES, layouts=layouts, animals=few
    )
    np.testing.assert_allclose(some, np.array(wanted)[few], rtol=1e-10)


def test_learned_breaks_of_short_marks_beside_long_ones() -> None:
    # Oracle: the same marks character by character, which is held against the enumeration above.
    rng = np.random.default_rng(12)
    marks = ["AB12", "A1", "ABCDEFGH1234", "1234567", "AB1/23", "K77"]
    table = build_mark_table(marks)
    layouts = learned_layouts({(2, 1): 20.0, (4, 2): 30.0, (7, 3): 40.0, (3, 1): 9.0}, basis="test")
    seen = reading([[random_cell(rng) for _ in range(2)], [random_cell(rng) for _ in range(3)]])
    every = registry_log_likelihood(seen, table, settings=FREQUENT, layouts=layouts)
    one_by_one = registry_log_likelihood(
        seen, table, settings=FREQUENT, layouts=layouts, animals=np.arange(len(marks))
    )
    np.testing.assert_allclose(every, one_by_one, rtol=1e-10)


def test_probability_of_all_possible_readings_is_one() -> None:
    # A reader that is certain of each cell: its ratio is 37 at what it says and 0 elsewhere, so
    # the likelihood over 37**cells is the probability of that reading. Those of up to four cells
    # sum to the probability of so many cells, by scipy's binomial and negative binomial.
    few = Prices(extra_cell=0.03, missed_cell=0.1, extra_row=0.02, missed_row=0.02)
    table = build_mark_table(["69"])
    alphabet = [CHARACTERS.index(c) for c in "69AB"] + [N_CLASSES - 1]
    total = 0.0
    for cells in range(5):
        for says in itertools.product(alphabet, repeat=cells):
            row = []
            for index in says:
                logp = np.full(N_CLASSES, -np.inf)
                logp[index] = 0.0
                row.append(cell_of(logp))
            value = registry_log_likelihood(
                reading([row]),
                table,
                settings=Settings(p_wrong_die=0.0, p_swap=0.1, p_turned_die=0.1),
                prices=few,
            )
            total += float(np.exp(value[0]) / 37**cells)
    most_four = sum(
        binom.pmf(found, 2, 1 - few.missed_cell) * nbinom.cdf(4 - found, 3, 1 - few.extra_cell)
        for found in range(3)
    )
    assert total == pytest.approx((1 - few.extra_row) * most_four, rel=1e-9)


def test_placements_of_all_numbers_of_rows_sum_to_one() -> None:
    for rows in (1, 2):
        total = sum(
            np.exp(place.log_weight)
            for seen in range(1, 12)
            for place in placements(rows, seen, prices=PRICES)
        )
        assert total == pytest.approx(1.0, abs=1e-9)


def test_true_mark_is_best_and_swap_is_next() -> None:
    table = build_mark_table(["AB12", "BA12", "AC12", "XY99"])
    values = registry_log_likelihood(sure("AB12"), table, settings=Settings())
    assert np.argmax(values) == 0
    # A swap (0.002) is a likelier story than one given wrong die (0.002 / 35).
    assert values[1] > values[2] > values[3]


def test_row_order_in_the_record_does_not_matter() -> None:
    marks = [f"{a}{b}/{n}" for a, b, n in itertools.product("ABO", "BD0", (12, 21, 7))]
    rng = np.random.default_rng(5)
    seen = reading([[random_cell(rng) for _ in range(2)], [random_cell(rng) for _ in range(2)]])
    straight = registry_log_likelihood(seen, build_mark_table(marks), settings=Settings())
    order = rng.permutation(len(marks))
    shuffled = [marks[index] for index in order]
    other = registry_log_likelihood(seen, build_mark_table(shuffled), settings=Settings())
    np.testing.assert_array_equal(other, straight[order])


@hypothesis_settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.lists(st.sampled_from([0.0, -1.0, -50.0, -1e4, -np.inf]), min_size=37, max_size=37),
        max_size=9,
    ),
    st.lists(st.text(CHARACTERS, min_size=1, max_size=12), min_size=1, max_size=6),
)
def test_extremes_stay_finite(cells: list[list[float]], marks: list[str]) -> None:
    seen = reading([[cell_of(np.array(logp)) for logp in cells]])
    values = registry_log_likelihood(seen, build_mark_table(marks), settings=Settings())
    assert np.all(np.isfinite(values))


def test_settings_of_zero_leave_only_the_record() -> None:
    never = Settings(p_swap=0.0, p_wrong_die=0.0, p_turned_die=0.0)
    seen = sure("69")
    got = registry_log_likelihood(seen, build_mark_table(MARKS), settings=never, prices=PRICES)
    wanted = [photo_log_likelihood(seen, mark, never, PRICES) for mark in MARKS]
    np.testing.assert_allclose(got, wanted, rtol=1e-10)


def test_nan_is_named() -> None:
    broken = reading([[cell({"A": 0.9}), cell_of(np.full(N_CLASSES, np.nan))]])
    with pytest.raises(ValueError, match="hypothesis 0, row 0, cell 1"):
        registry_log_likelihood(broken, build_mark_table(["AB"]), settings=Settings())
