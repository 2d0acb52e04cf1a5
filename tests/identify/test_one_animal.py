"""Whether all pieces of a visit are of one animal."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from legibility.containers import Animal
from legibility.identify.calibration import log_prior
from legibility.identify.one_animal import (
    MOST_PIECES,
    Piece,
    near_twin_pairs,
    splits,
    weigh_one_animal,
)
from legibility.identify.registry import registry_of

MARKS = ["K417", "K411", "B209", "B289", "C555", "D310"]
HERD = registry_of([Animal(f"goat {n}", mark) for n, mark in enumerate(MARKS)])
PRIOR = log_prior(len(HERD), not_registered=0.1)


def pieces(seed: int, count: int, *, mistaken: float = 0.0) -> list[Piece]:
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(count):
        values = rng.normal(0.0, 3.0, size=PRIOR.size)
        values -= np.log(np.sum(np.exp(PRIOR + values)))
        found.append(Piece(values, values, mistaken))
    return found


def by_counting(said: list[Piece], *, p_not_one: float, p_near: float) -> float:
    """The same from all pairs of animals and all memberships, one by one."""
    chances, count = np.exp(PRIOR), len(said)
    likely = [np.exp(piece.straight) for piece in said]
    one = sum(chances[a] * np.prod([values[a] for values in likely]) for a in range(PRIOR.size))
    twins = {
        a: [
            b for b in range(6) if sum(x != y for x, y in zip(MARKS[a], MARKS[b], strict=True)) == 1
        ]
        for a in range(6)
    }
    sizes = {}
    for members in product((0, 1), repeat=count):
        if members[0] == 0 and sum(members) > 0:
            sizes.setdefault(min(sum(members), count - sum(members)), []).append(members)
    two = 0.0
    for alike in sizes.values():
        for members in alike:
            # The side with more pieces is the first one; of equal sides the one that the
            # program takes as second is that with the first piece.
            first = 0 if 2 * sum(members) < count else 1
            either = 0.0
            for a, b in product(range(PRIOR.size), repeat=2):
                if a == b < 6:
                    continue
                value = np.prod(
                    [v[a] if m == first else v[b] for v, m in zip(likely, members, strict=True)]
                )
                near = (1 / len(twins[a]) if b in twins[a] else 0.0) if twins.get(a) else chances[b]
                either += chances[a] * ((1 - p_near) * chances[b] + p_near * near) * value
            for a in range(PRIOR.size):
                if a < 6 and not twins[a]:
                    # "Any other" of an animal without a near-twin leaves the animal itself in.
                    either += chances[a] * p_near * chances[a] * np.prod([v[a] for v in likely])
            two += either / len(alike) / len(sizes)
    return float(p_not_one * two / (p_not_one * two + (1 - p_not_one) * one))


@pytest.mark.parametrize("count", [2, 3, 4])
@pytest.mark.parametrize("p_near", [0.0, 0.5])
def test_the_sum_over_all_splits_is_exact(count: int, p_near: float) -> None:
    said = pieces(count, count)
    got = weigh_one_animal(said, PRIOR, HERD, p_not_one=0.2, p_near_twin=p_near, p_wrong_ear=0.0)
    assert got.not_one == pytest.approx(by_counting(said, p_not_one=0.2, p_near=p_near), rel=1e-6)


def test_near_twins_differ_in_one_character() -> None:
    firsts, others, shares = near_twin_pairs(HERD, range(6))
    assert sorted(zip(firsts, others, strict=True)) == [(0, 1), (1, 0), (2, 3), (3, 2)]
    assert np.exp(shares) == pytest.approx(1.0)


@pytest.mark.parametrize("count", [2, 3, 7, 8])
def test_all_splits_have_a_share_and_the_shares_sum_to_one(count: int) -> None:
    found = splits(count)
    assert len(found) == 2 ** (count - 1) - 1
    assert np.sum(np.exp([share for _, share in found])) == pytest.approx(1.0)
    assert all(len(first) >= len(second) for (first, second), _ in found)


def test_of_many_pieces_the_split_that_is_true_is_among_those_weighed() -> None:
    """Twelve photos, every third of another animal: neither few nor at one moment in time."""
    count = MOST_PIECES + 4
    values = [np.full(PRIOR.size, -6.0) for _ in range(count)]
    for index, one in enumerate(values):
        one[2 if index % 3 == 0 else 4] = 1.8
    got = weigh_one_animal(
        [Piece(one, one) for one in values],
        PRIOR,
        HERD,
        p_not_one=0.01,
        p_near_twin=0.5,
        p_wrong_ear=0.0,
    )
    assert got.not_one > 0.99
    assert got.sides is not None
    assert got.sides[1] == (0, 3, 6, 9)


def test_a_piece_that_is_mistaken_says_so() -> None:
    """By hand: photo e^5 for animal 4, scan e^2 for animal 0 and mistaken with 0.1."""
    photo, scan = np.full(PRIOR.size, -5.0), np.full(PRIOR.size, -60.0)
    photo[4], scan[0] = 5.0, 2.0
    got = weigh_one_animal(
        [Piece(photo, photo), Piece(scan, scan, 0.1)],
        PRIOR,
        HERD,
        p_not_one=0.0,
        p_near_twin=0.5,
        p_wrong_ear=0.0,
    )
    chances = np.exp(PRIOR)
    alone = float(np.sum(chances * np.exp(photo)))
    right = 0.9 * chances[0] * np.exp(photo[0] + 2.0)
    assert got.mistaken[1] == pytest.approx(0.1 * alone / (0.1 * alone + right), rel=1e-6)
    assert got.not_one == 0.0


def test_ears_that_were_taken_for_each_other_are_found() -> None:
    """By hand: 0.002 e^4 against 0.998 e^-4 for one animal whose prior is all there is."""
    straight, swapped = np.full(PRIOR.size, -60.0), np.full(PRIOR.size, -60.0)
    straight[0], swapped[0] = -4.0, 4.0
    got = weigh_one_animal(
        [Piece(straight, swapped)],
        PRIOR,
        HERD,
        p_not_one=0.01,
        p_near_twin=0.5,
        p_wrong_ear=0.002,
    )
    odds = 0.002 * np.exp(4.0) / (0.998 * np.exp(-4.0))
    assert got.wrong_ear == pytest.approx(odds / (1 + odds), rel=1e-6)


def test_one_piece_is_of_one_animal() -> None:
    got = weigh_one_animal(
        pieces(1, 1), PRIOR, HERD, p_not_one=0.5, p_near_twin=0.5, p_wrong_ear=0.0
    )
    assert got.not_one == 0.0
    assert got.sides is None
