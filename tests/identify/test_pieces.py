"""States of all short strings are those of the alignment."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS
from legibility.identify.alignment import row_likelihood
from legibility.identify.channel import channel_odds
from legibility.identify.emissions import Prices, cell_ratios, one_row, two_rows
from legibility.identify.marktable import build_mark_table
from legibility.identify.pieces import seen_row
from legibility.settings import Settings
from tests.identify.reading_builder import random_cell

ODDS = channel_odds(Settings())
PRICES = Prices()


def code(text: str) -> int:
    number = 0
    for character in text:
        number = number * 36 + CHARACTERS.index(character)
    return number


@pytest.mark.parametrize("cells", [2, 3, 5])
@pytest.mark.parametrize("length", [1, 2, 3])
def test_a_string_alone_is_a_row(cells: int, length: int) -> None:
    rng = np.random.default_rng(length)
    marks = ["".join(rng.choice(list(CHARACTERS), length)) for _ in range(60)] + ["6" * length]
    logp = np.array([random_cell(rng).logp for _ in range(cells)])
    row = one_row(logp, prices=PRICES)
    seen = seen_row(row, odds=ODDS, middles=False)
    table = build_mark_table(marks)
    exact = row_likelihood(row, table, odds=ODDS)
    places = table.first_row
    for side, start in ((seen.whole[length], -1), (seen.right[length], 0)):
        found = side.intact[start][[code(mark) for mark in marks]]
        events = side.one_event[start][[code(mark) for mark in marks]]
        if start == 0:  # Strings at the end leave the empty places ahead of them to others.
            gap = _empty_ahead(logp)
            strings = [code(mark) for mark in marks]
            found = gap @ side.intact[:, strings]
            events = gap @ side.one_event[:, strings]
        assert np.log(found) == pytest.approx(exact.log_intact[places], abs=1e-5)
        assert np.log(events) == pytest.approx(exact.log_one_event[places], abs=1e-5)


def _empty_ahead(logp: np.ndarray) -> np.ndarray:
    """Weights of 0, 1, ... empty places at the beginning."""
    empty = PRICES.extra_cell * cell_ratios(logp)[:, -1]
    return (1 - PRICES.extra_cell) * np.concatenate([[1.0], np.cumprod(empty)])


def test_pieces_between_lead_from_any_cell_to_any() -> None:
    rng = np.random.default_rng(8)
    logp = np.array([random_cell(rng).logp for _ in range(5)])
    seen = seen_row(one_row(logp, prices=PRICES), odds=ODDS, middles=True)
    # Behind nothing but empty places, a piece between is one that begins a row.
    for length in (1, 2):
        begun = seen.left[length].intact + seen.left[length].one_event
        found = np.einsum("jin,i->jn", seen.middle[length], seen.left[0].intact[:, 0])
        assert found == pytest.approx(begun, rel=1e-4)


@pytest.mark.parametrize("length", [2, 3])
@pytest.mark.parametrize("learned", [False, True])
def test_a_string_alone_may_stand_in_two_rows(length: int, learned: bool) -> None:
    rng = np.random.default_rng(length)
    marks = ["".join(rng.choice(list(CHARACTERS), length)) for _ in range(60)]
    first, second = (np.array([random_cell(rng).logp for _ in range(k)]) for k in (1, 2))
    jumps = np.array([0.0, *rng.dirichlet(np.ones(length - 1)), 0.0]) if learned else None
    cells = two_rows(first, second, prices=PRICES)
    seen = seen_row(cells, odds=ODDS, middles=False, jumps=jumps)
    table = build_mark_table(marks)
    exact = row_likelihood(cells, table, odds=ODDS, jumps=jumps, rows=slice(0, table.row_keys.size))
    codes = [code(mark) for mark in marks]
    found = seen.whole[length].intact[-1][codes]
    events = seen.whole[length].one_event[-1][codes]
    assert np.log(found) == pytest.approx(exact.log_intact[table.first_row], abs=1e-5)
    assert np.log(events) == pytest.approx(exact.log_one_event[table.first_row], abs=1e-5)
