"""Cards of the evaluation's own scenes, and how answers to them are counted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binomtest

from legibility.alphabet import CHARACTERS, LOOK_ALIKE
from legibility.evaluate.cards import Fault, card_photo, card_scene, same_dies
from legibility.evaluate.proof import (
    CASES,
    Answered,
    _loading,
    answers,
    false_right,
    lines,
)
from legibility.risk.card import SAME_EITHER_WAY, Verdict


def test_same_seed_same_card_and_another_card_of_the_same_dies() -> None:
    one, again = (
        card_scene(np.random.default_rng(3), mark="K4/17", width_px=400) for _ in range(2)
    )
    assert np.array_equal(card_photo(one), card_photo(again))
    other = same_dies(one, np.random.default_rng(4), mark="AB12")
    assert [die.character for die in other.pose.cells] == list("AB12")
    for die, own in zip(one.pose.dies, other.pose.dies, strict=True):
        assert np.array_equal(die, own)


def test_a_fault_changes_the_die_it_names_alone() -> None:
    scene = replace(card_scene(np.random.default_rng(3), mark="K417", width_px=500), kind="ink")
    turned = replace(scene, faults={1: Fault(turned=True)})
    changed = np.abs(card_photo(scene).astype(int) - card_photo(turned)).max(axis=2) > 100
    at = np.argwhere(changed)[:, ::-1].mean(axis=0)
    middles = [scene.pose.geometry.to_photo(die.quad()).mean(axis=0) for die in scene.pose.cells]
    distances = [float(np.hypot(*(at - middle))) for middle in middles]
    assert distances.index(min(distances)) == 1


@pytest.mark.parametrize("case", CASES)
def test_loadings_are_what_they_are_called(case: str) -> None:
    for seed in range(40):
        meant, loaded, at = _loading(case, np.random.default_rng(seed))
        flat, other = meant.replace("/", ""), loaded.replace("/", "")
        differ = [i for i, (a, b) in enumerate(zip(flat, other, strict=False)) if a != b]
        if case in ("wrong die", "look-alike die"):
            assert differ == [at]
            assert other[at] in CHARACTERS
            assert other[at] != LOOK_ALIKE.get(flat[at])
        elif case == "swapped":
            assert differ == [at, at + 1]
            assert sorted(flat) == sorted(other)
        elif case == "die left out":
            assert len(other) == len(flat) - 1
        else:
            assert loaded == meant
        if case == "upside down":
            assert flat[at] not in SAME_EITHER_WAY
        if case != "die left out":
            assert [len(r) for r in meant.split("/")] == [len(r) for r in loaded.split("/")]


def test_shares_by_hand() -> None:
    found = [
        Answered("right", "K1", Verdict.RIGHT, 0.99),
        Answered("swapped", "K1", Verdict.RIGHT, 0.96),
        *[Answered("swapped", "K1", Verdict.SWAPPED, 0.01)] * 9,
    ]
    share = false_right(found)
    assert (share.count, share.total) == (1, 10)
    # Clopper-Pearson 95 % of 1 in 10 (scipy.stats.binomtest).
    exact = binomtest(1, 10).proportion_ci(method="exact")
    assert (share.low, share.high) == pytest.approx((exact.low, exact.high))
    text = "\n".join(lines(found))
    assert "9 of 10" in text
    assert "1 of 2" in text


def test_a_missing_needle_passed_with_a_caution_is_counted_and_said() -> None:
    found = [
        Answered("needle missing", "K1", Verdict.RIGHT, 0.99, told=False),
        Answered("swapped", "K1", Verdict.RIGHT, 0.99, told=False),
        Answered("needle missing", "K1", Verdict.NEEDLE, 0.99),
    ]
    assert false_right(found).count == 2
    assert any("unjudged" in line and line.endswith("1 of 2") for line in lines(found))


def test_cards_are_answered() -> None:
    (one,) = answers(1, seed=2, cases=("swapped",))
    assert one.case == "swapped"
    assert one.verdict != Verdict.RIGHT
