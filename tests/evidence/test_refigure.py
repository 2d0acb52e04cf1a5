"""Figures compared leaf by leaf."""

from __future__ import annotations

import json
import math

import pytest

from legibility.evidence.refigure import compared

RECORD = {"a": [1.5, {"b": "x", "c": None}], "d": {}, "e": True, "seconds": 3.0}


def test_the_same_again_also_out_of_a_file() -> None:
    count, found = compared(RECORD, json.loads(json.dumps(RECORD)))
    assert (count, found) == (5, ())


def test_one_bit_is_a_difference_and_is_named() -> None:
    again = {**RECORD, "a": [math.nextafter(1.5, 2), RECORD["a"][1]]}  # type: ignore[index]
    _, (found,) = compared(RECORD, again)
    assert (found.figure, found.before) == ("a[0]", 1.5)
    assert compared(RECORD, again, tolerance=1e-9)[1] == ()


@pytest.mark.parametrize(
    ("changed", "figure"),
    [
        ({**RECORD, "e": 1}, "e"),
        ({**RECORD, "a": [1.5]}, "a[1].b"),
        ({**RECORD, "d": {"new": 1}}, "d"),
        ({**RECORD, "a": [1.5, {"b": "y", "c": None}]}, "a[1].b"),
        ({**RECORD, "a": ["1.5", {"b": "x", "c": None}]}, "a[0]"),
    ],
)
def test_what_is_no_number_must_be_the_same(changed: object, figure: str) -> None:
    _, found = compared(RECORD, changed, tolerance=0.5)
    assert found[0].figure == figure


def test_times_taken_are_no_figures() -> None:
    assert compared(RECORD, {**RECORD, "seconds": 9.0})[1] == ()
