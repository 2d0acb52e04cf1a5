"""Proposed marks against every pair tried, and counts against counting."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from legibility.identify.channel import channel_odds, channel_outcomes
from legibility.marks.rules import Form, Rules
from legibility.marks.space import iter_marks
from legibility.risk.assign import Proposal, propose
from legibility.risk.capacity import Estimate, caro_wei, clique_cover, turan
from legibility.risk.conflicts import Fixed, conflicts
from legibility.risk.kernel import load_kernel
from legibility.risk.marks import mark_set
from legibility.risk.misreading import Channel, channel, in_any_layout, pair_probability
from legibility.risk.needle_count import CAPACITY, needles_of, usual_needles
from legibility.settings import Settings
from tests.risk.herds import as_pressed, cut, layouts

SMALL = Rules(characters="ABCDEFGH0123", shortest_row=2, longest_row=2, max_rows=1)
BOUND = 2e-3


def worn() -> Channel:
    return in_any_layout(channel(load_kernel().at("worn")))


def pair(a: str, b: str, ch: Channel) -> float:
    """The worse of both ways, from the formula for one pair."""
    x, y = mark_set([a]).groups[0], mark_set([b]).groups[0]
    there = pair_probability(x.codes, x.structure, y.codes, y.structure, ch)[0]
    back = pair_probability(y.codes, y.structure, x.codes, x.structure, ch)[0]
    return float(max(there, back))


def proposed(count: int, *, seed: int = 1, registered: tuple[str, ...] = ("A1", "B2")) -> Proposal:
    return propose(
        SMALL,
        registered,
        worn(),
        count=count,
        bound=BOUND,
        seed=seed,
        needles=needles_of,
        needles_max=CAPACITY,
    )


def test_no_pair_reaches_the_bound_and_rivals_are_the_worst() -> None:
    ch, registered = worn(), ("A1", "B2")
    found = proposed(8)
    marks = [mark.mark for mark in found.marks]
    assert len(set(marks)) == 8
    assert not set(marks) & set(registered)
    for a, b in itertools.combinations([*marks, *registered], 2):
        if not (a in registered and b in registered):
            assert pair(a, b, ch) < BOUND
    for mark in found.marks:
        others = {o: pair(mark.mark, o, ch) for o in (*marks, *registered) if o != mark.mark}
        worst = max(others.values())
        if worst >= BOUND * 1e-3:
            assert mark.probability == pytest.approx(worst)
            assert others[mark.worst_rival] == pytest.approx(worst)
            assert mark.registered == (mark.worst_rival in registered)


@pytest.mark.parametrize("rows", [1, 2])
def test_no_new_mark_comes_too_near_a_registered_one_in_any_layout(rows: int) -> None:
    rules = Rules(characters="ABK012", shortest_row=2, longest_row=4 // rows, max_rows=rows)
    registered = ("AB12", "A/BK0")
    found = propose(
        rules, registered, channel(load_kernel().at("worn")), count=4, bound=BOUND, seed=2,
        needles=needles_of, needles_max=CAPACITY,
    )  # fmt: skip
    marks = [mark.mark for mark in found.marks]
    assert len(marks) == 4
    for new, other in itertools.product(marks, registered):
        assert new.replace("/", "") != other.replace("/", "")
        assert likeliest_layout(new, other) < BOUND
        assert likeliest_layout(other, new) < BOUND
    for one, other in itertools.permutations(marks, 2):
        assert one.replace("/", "") != other.replace("/", "")
        assert likeliest_layout(one, other) < BOUND


def likeliest_layout(record: str, read: str) -> float:
    """p(read | record) in the layout of the record in which that is largest, all ways listed."""
    ch, odds = channel(load_kernel().at("worn")), channel_odds(Settings())
    return max(
        sum(
            likely * as_pressed(cut(pressed, at), read, ch, "/" in record)
            for pressed, likely in channel_outcomes(record, odds=odds).items()
        )
        for at in layouts(record)
    )


def test_marks_that_differ_in_their_rows_alone_conflict() -> None:
    ch = channel(load_kernel().at("lost"))
    first, second = conflicts(["ABCDEFGH/1", "ABCDEFGH1", "ABCDEFG/H1", "K7"], ch, 0.9)
    assert list(zip(first.tolist(), second.tolist(), strict=True)) == [(0, 1), (0, 2), (1, 2)]
    assert Fixed(["ABCDEFGH1"], ch, 0.9).free(["AB/CDEFGH1", "K7"]) == ["K7"]


def test_a_whole_small_space_is_counted_exactly_and_filled() -> None:
    ch = worn()
    everything = list(iter_marks(SMALL))
    found = proposed(len(everything))
    free = [
        mark
        for mark in everything
        if mark not in ("A1", "B2") and all(pair(mark, r, ch) < BOUND for r in ("A1", "B2"))
    ]
    space = found.space
    assert space.allowed == 144
    assert space.free.exact
    assert space.free.value == len(free)
    assert found.complete
    taken = {mark.mark for mark in found.marks}
    # Every mark left out conflicts with one that was taken.
    for mark in set(free) - taken:
        assert any(pair(mark, other, ch) >= BOUND for other in taken)
    assert space.together.value <= len(taken) <= space.at_most
    assert space.gilbert_varshamov <= space.at_most


def test_same_seed_same_marks_and_another_seed_others() -> None:
    first = [mark.mark for mark in proposed(6, seed=3).marks]
    assert first == [mark.mark for mark in proposed(6, seed=3).marks]
    assert first != [mark.mark for mark in proposed(6, seed=4).marks]


def test_conflicts_are_those_of_the_formula() -> None:
    ch = worn()
    marks = ["B8", "88", "8B", "AC", "A0", "A", "O1"]
    first, second = conflicts(marks, ch, 1e-3)
    found = {(int(a), int(b)) for a, b in zip(first, second, strict=True)}
    expected = {
        (i, j)
        for i, j in itertools.combinations(range(len(marks)), 2)
        if pair_or_nothing(marks[i], marks[j], ch) >= 1e-3
    }
    assert found == expected


def pair_or_nothing(a: str, b: str, ch: Channel) -> float:
    """Marks of lengths that no loss explains are never confused."""
    return 0.0 if abs(len(a) - len(b)) > 1 else pair(a, b, ch)


def test_caro_wei_and_groups_on_graphs_known_by_heart() -> None:
    # A circle of five: independent sets of two, covered by three pairs or single vertices.
    first, second = np.array([0, 1, 2, 3, 0]), np.array([1, 2, 3, 4, 4])
    assert caro_wei(5, first, second) == pytest.approx(5 / 3)
    assert clique_cover(5, first, second) == 3
    # A complete graph of four: one.
    every = np.array(list(itertools.combinations(range(4), 2)))
    assert caro_wei(4, every[:, 0], every[:, 1]) == pytest.approx(1.0)
    assert clique_cover(4, every[:, 0], every[:, 1]) == 1


def test_turan_from_a_whole_sample_is_turan() -> None:
    # 100 marks, 250 conflicts: mean 5, so at least 100/6 (Turan 1941).
    size, mean = turan(Estimate(100, 100, 100, True), 250, 100)
    assert mean == pytest.approx(5.0)
    assert size.value == pytest.approx(100 / 6)
    assert size.low < size.value < size.high


def test_five_characters_fit_the_pliers_and_heavy_marks_come_last() -> None:
    # Common practice, no source: a full ear mark uses up to 64 needles, a die has 8 to 16.
    counts = usual_needles()
    assert min(counts.values()) >= 8
    assert max(counts.values()) <= 16
    assert 5 * np.mean(list(counts.values())) <= CAPACITY
    found = propose(
        SMALL, (), worn(), count=5, bound=BOUND, seed=1, needles=needles_of, needles_max=22
    )
    assert not any(mark.too_many_needles for mark in found.marks)
    full = propose(
        SMALL, (), worn(), count=144, bound=BOUND, seed=1, needles=needles_of, needles_max=22
    )
    heavy = [mark.too_many_needles for mark in full.marks]
    assert any(heavy)
    assert heavy == sorted(heavy)


@pytest.mark.parametrize(
    "rows",
    [
        ("[A-Z]{2}[0-9]{2}[A-Z]{3}[0-9]{2}",),  # nine characters, as a uniform eartag number
        ("[A-Z0-9]{6}",),  # 9 CFR 71.1: six characters of the National Tattoo System
    ],
)
def test_official_formats_get_marks(rows: tuple[str, ...]) -> None:
    rules = Rules(longest_row=9, forms=(Form(rows=rows),))
    found = propose(
        rules, (), worn(), count=3, bound=1e-3, seed=1, needles=needles_of, needles_max=CAPACITY
    )
    assert len(found.marks) == 3
    assert all(rules.problem(mark.mark) == "" for mark in found.marks)
    # Nine characters take more needles than pliers hold; of six the light ones fit and come first.
    nine = len(found.marks[0].mark) == 9
    assert all(mark.too_many_needles == nine for mark in found.marks)


def test_rules_without_marks_are_refused() -> None:
    with pytest.raises(ValueError, match="no mark"):
        propose(
            Rules(exclude="".join(sorted(set(Rules().characters)))),
            (),
            worn(),
            count=1,
            bound=BOUND,
            seed=1,
            needles=needles_of,
            needles_max=CAPACITY,
        )
