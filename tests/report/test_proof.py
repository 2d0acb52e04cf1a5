"""What is said of a card's answer in words."""

from __future__ import annotations

from typing import Any

import pytest

from legibility.report.proof import answer_of, proof_lines

PATTERN = {"judged": True, "expected": 9, "missing": 0, "bent": 0}
UNKNOWN = {"judged": False, "expected": 0, "missing": 0, "bent": 0}


def record(verdict: str, *needles: dict[str, Any]) -> dict[str, Any]:
    dies = [
        {"row": 1, "die": k + 1, "meant": "K", "found": "K", "upside_down": False,
         "probability": 0.99, "needles": state}
        for k, state in enumerate(needles)
    ]  # fmt: skip
    return {
        "mark": "KK", "found": "KK", "verdict": verdict, "sentence": "so it is",
        "probability": 0.99, "mirrored": False, "dies": dies, "learned": [],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("needles", "apart"), [((PATTERN, PATTERN), False), ((PATTERN, UNKNOWN), True)]
)
def test_right_says_so_where_needles_cannot_be_judged(
    needles: tuple[dict[str, Any], ...], apart: bool
) -> None:
    right = record("right", *needles)
    assert ("needles cannot be judged" in answer_of(right)) == apart
    assert any("needles apart: 99" in line for line in proof_lines(right)) == apart


def test_a_wrong_die_is_wrong_whatever_its_needles() -> None:
    wrong = record("wrong die", UNKNOWN, UNKNOWN)
    assert answer_of(wrong) == "a wrong die"
    assert any("is right: 99" in line for line in proof_lines(wrong))
