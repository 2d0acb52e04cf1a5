"""The model of misreadings against an enumeration of everything that can go wrong."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from legibility.alphabet import NO_CHARACTER, index_of, split_mark
from legibility.identify.channel import TURNED, channel_odds, channel_outcomes
from legibility.risk.kernel import load_kernel
from legibility.risk.marks import mark_set
from legibility.risk.mechanisms import TURNED as RISK_TURNED
from legibility.risk.misreading import (
    Allowed,
    Channel,
    Errors,
    channel,
    pair_probability,
    read_whole,
    readings,
)
from legibility.settings import Settings

SETTINGS = Settings(p_swap=0.03, p_wrong_die=0.02, p_turned_die=0.05)
ERRORS = Errors(swap=0.03, wrong_die=0.02, turned_die=0.05, missed_row=0.04, crossed_rows=0.01)


@pytest.fixture(scope="module")
def ch() -> Channel:
    return channel(load_kernel().at("worn"), ERRORS)


def enumerated(record: str, read: str, ch: Channel) -> float:
    """p(read | record) from ``identify.channel`` (written apart from ``risk``) and the views."""
    return sum(
        eps * as_pressed(pressed, read, ch)
        for pressed, eps in channel_outcomes(record, odds=channel_odds(SETTINGS)).items()
    )


def as_pressed(pressed: str, read: str, ch: Channel) -> float:
    rows, seen = split_mark(pressed), split_mark(read)
    total = 0.0
    weight = 1.0 if len(rows) == 1 else 1.0 - 2 * ERRORS.missed_row - ERRORS.crossed_rows
    if len(rows) == len(seen):
        total += weight * np.prod([plain(a, b, ch) for a, b in zip(rows, seen, strict=True)])
        for number, row in enumerate(rows):
            if len(row) < 2:
                continue
            others = [plain(rows[i], seen[i], ch) for i in range(len(rows)) if i != number]
            for kept, lost in ((row[1:], row[0]), (row[:-1], row[-1])):
                gone = ch.matrix[index_of(lost), NO_CHARACTER]
                total += weight * gone * plain(kept, seen[number], ch) * np.prod(others)
    if len(rows) == 2 and len(seen) == 1:
        total += ERRORS.missed_row * sum(plain(row, seen[0], ch) for row in rows)
    if len(rows) == 2 and len(seen) == 2:
        crossed = [plain(a, b, ch) for a, b in zip(rows, reversed(seen), strict=True)]
        total += ERRORS.crossed_rows * np.prod(crossed)
    return float(total)


def plain(row: str, seen: str, ch: Channel) -> float:
    if len(row) != len(seen):
        return 0.0
    pairs = zip(row, seen, strict=True)
    return float(np.prod([ch.matrix[index_of(a), index_of(b)] for a, b in pairs]))


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
    pairs = itertools.product(rows[:30], rows[:30])
    marks = mark_set([*rows, *(f"{a}/{b}" for a, b in pairs)])
    x = mark_set([record]).groups[0]
    total = 0.0
    for group in marks.groups:
        if group.structure in readings(x.structure, ch.errors):
            codes = np.repeat(x.codes, len(group.ids), axis=0)
            total += pair_probability(codes, x.structure, group.codes, group.structure, ch).sum()
    whole = read_whole(x.codes, x.structure, ch, Allowed(characters))
    assert whole[0] == pytest.approx(total, rel=1e-9)


def test_rules_make_more_misreadings_visible(ch: Channel) -> None:
    x = mark_set(["K417"]).groups[0]
    free = read_whole(x.codes, x.structure, ch, Allowed())
    kept = read_whole(x.codes, x.structure, ch, Allowed(characters="K0123456789", shortest_row=4))
    assert 0 < kept[0] < free[0] < 1


def test_a_turned_die_makes_what_reading_expects_it_to_make() -> None:
    assert RISK_TURNED == TURNED
