"""A die laid over dots: faults put in by hand are found, and the fit agrees with scipy's."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from legibility.containers import Points
from legibility.read.die_match import (
    P_MISSING,
    match_die,
    same_turned,
    turned,
    unknown_loglik,
)
from legibility.simulate.press import die_needles
from legibility.simulate.scene import sample_dies

DIES = sample_dies(np.random.default_rng(3), split="held_out")


def needles(character: str) -> Points:
    return np.array(die_needles(DIES, character))


def pressed(points: Points, *, seed: int = 0) -> Points:
    """The die on a card: moved, tilted by 4 degrees, seen a little from the side, measured."""
    angle = math.radians(4)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    seen = points @ turn.T @ np.array([[1.05, 0.02], [0.0, 0.97]]) + np.array([3.0, -2.0])
    return np.asarray(seen + np.random.default_rng(seed).normal(0, 0.006, points.shape))


@given(st.sampled_from("ABCDEFGHJKLMNPQRSTUVWXYZ23456789"), st.integers(0, 5))
@settings(max_examples=25, deadline=None)
def test_the_same_die_matches_whole(character: str, seed: int) -> None:
    match = match_die(pressed(needles(character), seed=seed), needles(character))
    assert (match.missing, match.bent, match.stray) == ((), (), 0)
    assert all(a == b for a, b in match.pairs)
    assert match.loglik > unknown_loglik(len(match.pairs))


@pytest.mark.parametrize("lost", [0, 3])
def test_a_missing_needle_is_named(lost: int) -> None:
    match = match_die(np.delete(pressed(needles("K")), lost, axis=0), needles("K"))
    assert match.missing == (lost,)
    assert match.bent == ()


def test_a_bent_needle_is_bent_and_not_missing() -> None:
    dots = pressed(needles("R"))
    dots[2] += [0.13, 0.0]
    match = match_die(dots, needles("R"))
    assert match.bent == (2,)
    assert match.missing == ()
    assert match.stray == 0


@pytest.mark.parametrize(("meant", "other"), [("B", "8"), ("O", "Q"), ("E", "F"), ("6", "G")])
def test_the_right_die_beats_its_look_alike(meant: str, other: str) -> None:
    dots = pressed(needles(meant))
    assert match_die(dots, needles(meant)).loglik > match_die(dots, needles(other)).loglik + 10


def test_upside_down_is_told() -> None:
    dots = pressed(turned(needles("J")))
    assert match_die(dots, turned(needles("J"))).loglik > match_die(dots, needles("J")).loglik + 10
    assert np.allclose(turned(turned(needles("J"))), needles("J"))


def test_no_dots_lose_every_needle() -> None:
    match = match_die(np.zeros((0, 2)), needles("A"))
    assert len(match.missing) == len(needles("A"))
    assert match.loglik == pytest.approx(len(needles("A")) * math.log(P_MISSING))


def test_what_lies_the_same_either_way() -> None:
    bar = np.stack([np.zeros(8), np.linspace(0, 1, 8)], axis=1)
    assert same_turned(pressed(bar))
    # A flag at the top and nothing at the foot.
    assert not same_turned(pressed(np.vstack([bar, [-0.12, 0.12]])))
    assert not any(same_turned(pressed(needles(c))) for c in "A36479")
