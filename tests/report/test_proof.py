"""What is said of a card's answer in words."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from legibility.report.proof import answer_of, proof_lines, proof_page

PATTERN = {"judged": True, "expected": 9, "missing": 0, "bent": 0, "together": 0}
UNKNOWN = {"judged": False, "expected": 0, "missing": 0, "bent": 0, "together": 0}


def record(verdict: str, *needles: dict[str, Any]) -> dict[str, Any]:
    dies = [
        {"row": 1, "die": k + 1, "meant": "K", "found": "K", "upside_down": False,
         "probability": 0.99, "needles": state}
        for k, state in enumerate(needles)
    ]  # fmt: skip
    return {
        "mark": "KK", "found": "KK", "verdict": verdict, "sentence": "so it is",
        "probability": 0.99, "mirrored": False, "dies": dies, "learned": [],
        "said_of_mark": [], "sha256": "ab12",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("needles", "answer"),
    [
        ((PATTERN, PATTERN), "right"),
        ((PATTERN, UNKNOWN), "right, but needles of 1 of its 2 dies cannot be judged"),
        ((UNKNOWN, UNKNOWN), "right, but its needles cannot be judged"),
    ],
)
def test_right_says_so_where_needles_cannot_be_judged(
    needles: tuple[dict[str, Any], ...], answer: str
) -> None:
    right = record("right", *needles)
    assert answer_of(right) == answer
    heading = re.search(r"<h1>(.*?)</h1>", proof_page(right, np.zeros((40, 60, 3), np.uint8)))
    assert heading is not None
    assert heading[1] == f"A punched card: {answer}"


def test_the_chance_of_being_right_is_never_said_of_needles() -> None:
    for needles in (PATTERN, UNKNOWN):
        lines = proof_lines(record("right", needles, needles))
        assert any("needles apart: 99" in line for line in lines)


def test_a_wrong_die_is_wrong_whatever_its_needles() -> None:
    assert answer_of(record("wrong die", UNKNOWN, UNKNOWN)) == "a wrong die"
