"""Bounds of long rows are bounds, and little is passed over."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS
from legibility.identify import long_rows
from legibility.identify.alignment import some_row_likelihood
from legibility.identify.channel import channel_odds
from legibility.identify.emissions import Prices, half_seen, one_row, two_rows
from legibility.identify.long_rows import bounds, factors, that_matter
from legibility.identify.marktable import build_mark_table, piece_lengths
from legibility.identify.pieces import seen_row
from legibility.identify.short_rows import LARGEST, end_of_short
from legibility.identify.views import View
from legibility.settings import Settings
from tests.identify.reading_builder import cell, random_cell

ODDS = channel_odds(Settings())
PRICES = Prices()


def near_marks(rng: np.random.Generator, mark: str, count: int) -> list[str]:
    """The mark with characters changed, exchanged, left out or too many."""
    marks = [mark]
    while len(marks) < count:
        text = list(mark)
        for _ in range(rng.integers(1, 4)):
            place = int(rng.integers(len(text) - 1))
            what = rng.integers(4)
            if what == 0:
                text[place] = str(rng.choice(list(CHARACTERS)))
            elif what == 1:
                text[place], text[place + 1] = text[place + 1], text[place]
            elif what == 2 and len(text) > 7:
                del text[place]
            elif len(text) < 12:
                text.insert(place, str(rng.choice(list(CHARACTERS))))
        marks.append("".join(text))
    return marks


@pytest.mark.parametrize("characters", [7, 8, 9, 10, 11, 12])
@pytest.mark.parametrize("more", [-1, 0, 1])
@pytest.mark.parametrize("way", ["one row", "two rows", "learned breaks", "first row unseen"])
def test_no_row_is_above_its_bound(characters: int, more: int, way: str) -> None:
    rng = np.random.default_rng(characters)
    mark = "".join(rng.choice(list(CHARACTERS), characters))
    table = build_mark_table(near_marks(rng, mark, 400))
    seen = [cell({c: rng.uniform(0.2, 0.98)}) for c in mark]
    seen = [*seen, random_cell(rng)][: characters + more]
    half = len(seen) // 2
    logp = np.array([one.logp for one in seen])
    cells, jumps = {
        "one row": (one_row(logp, prices=PRICES), None),
        "two rows": (two_rows(logp[:half], logp[half:], prices=PRICES), None),
        "learned breaks": (
            two_rows(logp[:half], logp[half:], prices=PRICES),
            np.array([0.0, *rng.dirichlet(np.ones(characters - 1)), 0.0]),
        ),
        "first row unseen": (half_seen(logp, first=False, prices=PRICES), None),
    }[way]
    view = View(cells, np.full(25, -0.3), jumps)
    row = seen_row(cells, odds=ODDS, middles=True)
    made = [factors(view, row, table)]
    scale = made[0].log_size - np.log(LARGEST)
    most = bounds(made, table, swap=ODDS.swap, log_scale=scale)
    begin = end_of_short(table)
    rows = np.arange(begin, table.row_keys.size)
    alike = table.characters[rows] == characters
    with np.errstate(divide="ignore"):
        exact = some_row_likelihood(cells, table, rows[alike], odds=ODDS, jumps=jumps)
    value = np.exp(exact.together - 0.3 - scale)
    assert most.size == rows.size
    most = most[alike]
    assert np.all(value <= most)
    assert float(most.max()) <= 1.01 * LARGEST
    # The likeliest row is bounded closely, or nothing could be passed over.
    if more == 0 and way == "one row":
        assert float(most[value.argmax()]) < 3 * float(value.max())


@pytest.mark.parametrize("characters", range(1, 13))
def test_a_row_is_cut_into_pieces(characters: int) -> None:
    lengths = piece_lengths(characters)
    assert sum(lengths) == characters
    assert lengths[0] <= 3
    assert lengths[-1] <= 3
    assert all(1 <= length <= 2 for length in lengths[1:-1])


@pytest.mark.parametrize("kept_at_least", [1, 40, 1000])
@pytest.mark.parametrize("allowed", [1e-9, 1e-3, 1.0, 1e9])
def test_what_is_passed_over_is_what_is_said(
    kept_at_least: int, allowed: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(long_rows, "LEAST_KEPT", kept_at_least)
    most = np.exp(np.random.default_rng(4).normal(-8, 6, 500)).astype(np.float32)
    rows, left_out, largest = that_matter(most, allowed)
    others = np.delete(most, rows)
    assert rows.size >= min(kept_at_least, most.size)
    assert np.all(np.diff(rows) > 0)
    assert left_out == pytest.approx(float(others.sum(dtype=np.float64)), rel=1e-6, abs=1e-12)
    assert left_out <= allowed * 1.000001
    assert largest >= others.max(initial=0.0)
