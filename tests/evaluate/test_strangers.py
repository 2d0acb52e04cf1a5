"""Lists as people keep them, and the study of animals that are not in them."""

from __future__ import annotations

import numpy as np
import pytest
from rapidfuzz.distance import OSA, Levenshtein

from legibility.evaluate.strangers import (
    CASES,
    MISPRESSED,
    REGISTERED,
    evaluation_reading,
    measure,
    report,
)
from legibility.pipeline.known_readings import KnownReading
from legibility.simulate.herd_lists import KINDS, herd_list
from tests.identify.reading_builder import sure


@pytest.mark.parametrize("kind", [REGISTERED, *KINDS])
@pytest.mark.parametrize("mark", ["HD/782", "TCE488", "23798", "A12"])
@pytest.mark.parametrize("dense", [False, True])
def test_lists_hold_the_mark_or_miss_it_as_they_say(kind: str, mark: str, dense: bool) -> None:
    # Oracle of distances: rapidfuzz (Levenshtein, and optimal string alignment for exchanges).
    text = mark.replace("/", "")
    for seed in range(5):
        marks = herd_list(np.random.default_rng(seed), mark, animals=40, kind=kind, dense=dense)
        assert marks is not None
        assert len(marks) == len(set(marks)) <= 40
        assert all("/" not in one for one in marks)
        assert (text in marks) == (kind == REGISTERED)
        if kind in ("one more", "one fewer"):
            longer = 1 if kind == "one fewer" else -1
            near = [one for one in marks if len(one) == len(text) + longer]
            assert any(Levenshtein.distance(one, text) == 1 for one in near)
        if kind == "one character":
            assert any(Levenshtein.distance(one, text) == 1 for one in marks)
        if kind == "two swapped":
            assert any(
                OSA.distance(one, text) == 1 and sorted(one) == sorted(text) for one in marks
            )
        if kind == "next number" and text != "A12":
            start = text.rstrip("0123456789")
            numbers = [int(m[len(start) :]) for m in marks if m.startswith(start)]
            beyond = [int(text[len(start) :]) - number for number in numbers]
            assert any(1 <= one <= 5 for one in beyond)


def test_a_mark_of_which_there_are_too_few_has_no_list() -> None:
    rng = np.random.default_rng(1)
    assert herd_list(rng, "A1", animals=400, kind="gap", dense=True) is None


def test_clear_photos_are_told_apart_and_the_table_counts_them() -> None:
    known = [
        KnownReading(f"photo {n}", mark, "new", sure(*mark.split("/"), chance=0.99, no_mark=1e-4))
        for n, mark in enumerate(["HD/782", "TCE488", "B/802"])
    ]
    cases = [case for one in known for case in measure(one, sizes=(60,), seed=3)]
    assert {case.kind for case in cases} == set(CASES)
    assert all(case.exact for case in cases)
    strangers = [case for case in cases if case.kind in KINDS]
    named = [case for case in strangers if not case.stranger]
    assert len(strangers) == 21
    assert not any(case.identified for case in named)
    assert len(named) <= 7  # Two swapped, and marks a character longer or shorter, may go wrong.
    assert all(case.right for case in cases if case.kind == REGISTERED)
    table = report(cases, photos=3, seed=3).section("Strangers and registered animals").rows
    assert [row["cases"] for row in table] == [3] * len(CASES)
    assert [row["kind"] for row in table] == list(CASES)
    assert MISPRESSED in [row["kind"] for row in table]


def test_a_photo_of_the_study_is_the_same_each_time_and_of_a_herds_mark() -> None:
    found = [evaluation_reading(index, seed=5) for index in range(4)]
    made = [one for one in found if one is not None]
    assert made
    for one in made:
        assert one.mark.replace("/", "")[-3:].isdigit()
        assert one.photo.startswith("5-")
    first = found.index(made[0])
    again = evaluation_reading(first, seed=5)
    assert again is not None
    assert (again.mark, again.reading.logp_no_mark) == (made[0].mark, made[0].reading.logp_no_mark)
