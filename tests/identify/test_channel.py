from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.alphabet import CHARACTERS
from legibility.identify.channel import channel_odds, channel_outcomes, total_odds
from legibility.identify.marktable import build_mark_table
from legibility.settings import Settings
from tests.identify.brute_force import events

SETTINGS = Settings(p_swap=0.1, p_wrong_die=0.07, p_turned_die=0.05)

rows = st.text(CHARACTERS, min_size=1, max_size=5)
marks = st.one_of(rows, st.tuples(rows, rows).map("/".join))


@given(marks)
def test_outcomes_sum_to_one_and_agree_with_enumeration(mark: str) -> None:
    outcomes = channel_outcomes(mark, odds=channel_odds(SETTINGS))
    assert sum(outcomes.values()) == pytest.approx(1.0, abs=1e-12)
    listed = events(tuple(mark.split("/")), SETTINGS)
    total = sum(odds for odds, _ in listed)
    wanted: dict[str, float] = {}
    for odds, ear in listed:
        wanted["/".join(ear)] = wanted.get("/".join(ear), 0.0) + odds / total
    assert outcomes == pytest.approx(wanted)


@given(rows)
def test_total_odds_from_counts(row: str) -> None:
    table = build_mark_table([row])
    odds = channel_odds(SETTINGS)
    got = total_odds(table.characters, table.turnable, table.unequal_pairs, odds=odds)
    wanted = sum(weight for weight, _ in events((row,), SETTINGS)) - 1.0
    np.testing.assert_allclose(got, [wanted])


def test_six_turned_and_six_mistaken_are_one_outcome() -> None:
    outcomes = channel_outcomes("6", odds=channel_odds(SETTINGS))
    assert outcomes["9"] == pytest.approx(
        (0.05 / 0.95 + 0.07 / 0.93 / 35) / (1 + 0.05 / 0.95 + 0.07 / 0.93)
    )
