"""Visits that are drawn from the photos of pairs of ears."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from legibility.containers import Stage
from legibility.evaluate.visit_photos import EarShot
from legibility.evaluate.visits import KINDS, draw_visits
from legibility.pipeline.known_readings import KnownReading
from tests.identify.reading_builder import sure

TWINS = (("AB12", "AB13"), ("KLM7", "KLN7"), ("5501", "5581"))


def ears() -> list[list[EarShot]]:
    return [
        [
            EarShot(
                pair, mark, Stage.AS_FOUND, KnownReading(f"{pair} {shot}", mark, "new", sure(mark))
            )
            for shot in range(3)
        ]
        for pair, marks in enumerate(TWINS)
        for mark in marks
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_visits_are_of_the_animals_that_their_kind_says(kind: str) -> None:
    visits = draw_visits(ears(), kind, 60, seed=4)
    assert len(visits) == 60
    for visit in visits:
        marks = {shot.mark for shot in visit}
        pairs = {shot.pair for shot in visit}
        assert len({(shot.mark, shot.known.photo) for shot in visit}) == len(visit)
        assert (len(marks), len(pairs)) == {
            "honest": (1, 1),
            "mixed, near-twins": (2, 1),
            "mixed, far": (2, 2),
        }[kind]
        assert len(visit) in ({2, 3} if kind == "honest" else {2, 3, 4})


@pytest.mark.parametrize("kind", KINDS)
def test_visits_of_which_none_is_kept_are_not_drawn_for_ever(kind: str) -> None:
    def none(shots: Sequence[EarShot]) -> bool:
        return False

    with pytest.raises(ValueError, match=f"{kind}: 0 of 3 visits found"):
        draw_visits(ears(), kind, 3, seed=4, keep=none)
