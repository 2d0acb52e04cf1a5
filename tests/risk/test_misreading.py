"""The model of misreadings against an enumeration of everything that can go wrong."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from legibility.identify.channel import TURNED, channel_odds, channel_outcomes
from legibility.risk.kernel import load_kernel
from legibility.risk.marks import mark_set
from legibility.risk.mechanisms import TURNED as RISK_TURNED
from legibility.risk.misreading import (
    Allowed,
    Channel,
    Errors,
    channel,
    in_any_layout,
    pair_probability,
    read_whole,
    views,
)
from legibility.settings import Settings
from tests.risk.herds import as_pressed, cut, layouts

SETTINGS = Settings(p_swap=0.03, p_wrong_die=0.02, p_turned_die=0.05)
ERRORS = Errors(swap=0.03, wrong_die=0.02, turned_die=0.05, missed_row=0.04, crossed_rows=0.01)


@pytest.fixture(scope="module")
def ch() -> Channel:
    return channel(load_kernel().at("worn"), ERRORS)


def enumerated(record: str, read: str, ch: Channel) -> float:
    """p(read | record) from ``identify.channel`` (written apart from ``risk``) and the views.

    A record without a break stands in every layout alike; where it or what is read has no break,
    only the characters are compared.
    """
    total = 0.0
    stands = layouts(record)
    for pressed, eps in channel_outcomes(record, odds=channel_odds(SETTINGS)).items():
        for cuts in stands:
            total += eps * as_pressed(cut(pressed, cuts), read, ch, "/" in record) / len(stands)
    return total


@pytest.mark.parametrize(
    ("record", "read"),
    [
        ("K417", "K417"),
        ("K417", "K471"),
        ("B698", "8689"),
        ("K417", "417"),
        ("K417", "K41"),
        ("KKKK", "KKK"),
        ("AB/123", "AB/128"),
        ("AB/12", "12/AB"),
        ("AB/12", "A/12"),
        ("AB/12", "AB"),
        ("AB/AB", "AB"),
        ("6M/7", "7"),
        ("L/7", "7/L"),
        ("W", "M"),
        ("AB", "A/B"),
        ("AB/123", "AB123"),
        ("AB/123", "AB128"),
        ("AB/12", "12AB"),
        ("AB/12", "A12"),
        ("AB/12", "B12"),
        ("A/AA", "AAA"),
        ("HD782", "HD/782"),
        ("HD782", "HD/783"),
        ("HD782", "H/D783"),
        ("HD782", "82HD7"),
        ("HD782", "HD8/2"),
        ("HD782", "H782"),
        ("HD782", "782"),
        ("HD782", "D8"),
        ("6MW9", "M9"),
    ],
)
def test_pair_probability_is_the_sum_over_everything_that_can_go_wrong(
    record: str, read: str, ch: Channel
) -> None:
    a, b = mark_set([record]).groups[0], mark_set([read]).groups[0]
    p = pair_probability(a.codes, a.structure, b.codes, b.structure, ch)
    assert p[0] == pytest.approx(enumerated(record, read, ch), rel=1e-9)


@pytest.mark.parametrize("record", ["AB", "A8", "A/BD", "BD/A", "A/B", "ABD"])
def test_read_whole_is_the_sum_over_all_marks(record: str, ch: Channel) -> None:
    characters = "ABD08"
    rows = ["".join(t) for n in (1, 2, 3) for t in itertools.product(characters, repeat=n)]
    marks = mark_set(rows)
    x = mark_set([record]).groups[0]
    total = 0.0
    for group in marks.groups:
        # Marks without a break are compared by characters: each reading counts once, in any rows.
        if views(x.structure, group.structure, ch):
            codes = np.repeat(x.codes, len(group.ids), axis=0)
            total += pair_probability(codes, x.structure, group.codes, group.structure, ch).sum()
    whole = read_whole(x.codes, x.structure, ch, Allowed(characters))
    assert whole[0] == pytest.approx(total, rel=1e-9)


def test_rules_make_more_misreadings_visible(ch: Channel) -> None:
    x = mark_set(["K417"]).groups[0]
    free = read_whole(x.codes, x.structure, ch, Allowed())
    kept = read_whole(x.codes, x.structure, ch, Allowed(characters="K0123456789", shortest_row=4))
    assert 0 < kept[0] < free[0] < 1


def test_rules_say_where_rows_may_break(ch: Channel) -> None:
    x, y = mark_set(["AB12"]).groups[0], mark_set(["12AB"]).groups[0]

    def read(allowed: Allowed) -> float:
        rules = channel(load_kernel().at("worn"), ERRORS, allowed)
        return float(pair_probability(x.codes, x.structure, y.codes, y.structure, rules)[0])

    assert read(Allowed(max_rows=1)) < 1e-4 * read(Allowed())
    # Broken in the middle only, which is where rows in the other order make 12AB of AB12.
    assert read(Allowed(shortest_row=2, longest_row=3)) > 3 * read(Allowed())


@pytest.mark.parametrize(
    ("record", "read"), [("HD782", "HD783"), ("AB12", "12AB"), ("HD782", "HD")]
)
def test_no_layout_is_likelier_than_the_bound_over_all(record: str, read: str) -> None:
    ch = in_any_layout(channel(load_kernel().at("worn"), ERRORS))
    x, y = (mark_set([mark]).groups[0] for mark in (record, read))
    bound = pair_probability(x.codes, x.structure, y.codes, y.structure, ch)[0]
    likeliest = 0.0
    for at in layouts(record):
        total = 0.0
        for pressed, eps in channel_outcomes(record, odds=channel_odds(SETTINGS)).items():
            total += eps * as_pressed(cut(pressed, at), read, ch, False)
        likeliest = max(likeliest, total)
    assert likeliest <= bound * (1 + 1e-9)
    assert bound < 3 * likeliest


def test_a_turned_die_makes_what_reading_expects_it_to_make() -> None:
    assert RISK_TURNED == TURNED
