"""Contradictions between transponders, marks and lists."""

from __future__ import annotations

import pytest

from legibility.herd.contradictions import (
    chip_against_claim,
    chip_against_mark,
    chip_contradictions,
    mark_against_claim,
    scan_against_record,
)


def test_one_number_on_two_animals_and_two_numbers_on_one() -> None:
    found = chip_contradictions(
        [("a", "1"), ("b", "1"), ("c", "2"), ("c", "3"), ("d", "4"), ("d", "4")]
    )
    assert [(item.kind, item.detail) for item in found] == [
        ("one transponder, several animals", {"number": "1", "animals": ["a", "b"]}),
        ("one animal, several transponders", {"animal": "c", "numbers": ["2", "3"]}),
    ]


@pytest.mark.parametrize(
    ("animals", "candidate_set", "disagree"),
    [
        (["a"], ["a"], False),
        (["a"], ["b", "a"], False),
        (["a"], ["b", None], True),
        (["a"], [None], True),
        (["a"], [], False),
        (["a", "b"], ["c"], False),
        ([], ["c"], False),
    ],
)
def test_mark_and_transponder(
    animals: list[str], candidate_set: list[str | None], disagree: bool
) -> None:
    found = chip_against_mark(
        photo_sha256="s",
        photo="ear.jpg",
        number="1",
        animals=animals,
        text="X9",
        candidate_set=candidate_set,
        first="b",
        misread_risk=0.02,
    )
    assert (found is not None) is disagree
    if found is not None:
        assert "ear.jpg" in found.summary
        assert "that of a" in found.summary
        assert found.key == "photo:s:1"


@pytest.mark.parametrize(
    ("claimed", "animals", "disagree"),
    [("b", ["a"], True), ("a", ["a"], False), ("", ["a"], False), ("b", ["a", "c"], False)],
)
def test_list_and_transponder(claimed: str, animals: list[str], disagree: bool) -> None:
    found = chip_against_claim(
        photo_sha256="s", photo="p", number="1", animals=animals, claimed=claimed, by="manifest"
    )
    assert (found is not None) is disagree


@pytest.mark.parametrize(
    ("owners", "its", "words"),
    [
        (["b"], [], "it is that of b."),
        ([], ["2"], "it is on record for no animal; its own on record is 2."),
        (["b"], ["2"], "it is that of b; its own on record is 2."),
        (["a", "b"], ["1"], ""),
        ([], [], ""),
    ],
)
def test_scan_that_names_its_animal(owners: list[str], its: list[str], words: str) -> None:
    found = scan_against_record(at="2024", animal_id="a", number="1", owners=owners, its=its)
    assert (found is not None) is bool(words)
    if found is not None:
        assert found.summary.endswith(words)
        assert found.key == "scan:a:1"


@pytest.mark.parametrize(
    ("changed", "disagree"),
    [
        ({}, True),
        ({"decision": "ambiguous"}, False),
        ({"candidate_set": ["b", "a"]}, False),
        ({"first": "a", "candidate_set": ["a"]}, False),
        ({"first": "", "candidate_set": [None]}, False),
        ({"claimed": ""}, False),
    ],
)
def test_list_and_mark(changed: dict[str, object], disagree: bool) -> None:
    values: dict[str, object] = {
        "photo_sha256": "s",
        "photo": "ear.jpg",
        "claimed": "a",
        "by": "manifest",
        "text": "X9",
        "decision": "identified",
        "candidate_set": ["b"],
        "first": "b",
        "misread_risk": 0.001,
    }
    found = mark_against_claim(**{**values, **changed})  # type: ignore[arg-type]
    assert (found is not None) is disagree
    if found is not None:
        assert found.key == "list:s:a"
        assert "listed as a (manifest)" in found.summary
        assert "speaks for b" in found.summary
        assert (found.detail["animal_by_list"], found.detail["animal_by_mark"]) == ("a", "b")
