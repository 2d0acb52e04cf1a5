from __future__ import annotations

import re

import pytest

from legibility.alphabet import CHARACTERS
from legibility.marks.patterns import Vocabulary, row_shapes

ALL = Vocabulary(in_use=CHARACTERS, prefix="KT", year="ABC", check="01X", check_length=1)


def spelled(pattern: str, vocabulary: Vocabulary = ALL) -> list[list[str]]:
    return [[place.allowed for place in row] for row in row_shapes(pattern, vocabulary)]


def test_words_of_the_language() -> None:
    assert spelled("A7") == [["A", "7"]]
    letters, digits = CHARACTERS[:26], CHARACTERS[26:]
    assert spelled("@#*") == [[letters, digits, CHARACTERS]]
    assert spelled("[C1-3A]") == [["AC123"]]
    assert spelled("7{1,3}") == [["7"], ["7", "7"], ["7", "7", "7"]]
    assert spelled("7{0,1}A{2}") == [["A", "A"], ["7", "A", "A"]]
    assert spelled("{prefix}{year}{check}") == [["K", "T", "ABC", "X01"]]
    assert spelled("AA|B|AA") == [["B"], ["A", "A"]]


def test_characters_not_in_use_are_left_out_of_classes_only() -> None:
    few = Vocabulary(in_use="AB12")
    assert spelled("@#*Z[Z]", few) == [["AB", "12", "AB12", "Z", "Z"]]


@pytest.mark.parametrize("text", ["ABC123", "AB1", "A1", "AB", "ABCD1234Z", "TX12", "1"])
def test_agrees_with_a_regular_expression(text: str) -> None:
    # Oracle: Python's re with the same meaning written out.
    shapes = row_shapes("@{1,3}#{1,3}|T[X-Z]*{2}", ALL)
    fits = any(
        len(row) == len(text) and all(c in p.allowed for c, p in zip(text, row, strict=True))
        for row in shapes
    )
    oracle = re.fullmatch(r"[A-Z]{1,3}[0-9]{1,3}|T[X-Z][A-Z0-9]{2}", text)
    assert fits == bool(oracle)


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("", "describes no row"),
        ("A{0}", "no number of times"),
        ("A{3,2}", "no number of times"),
        ("A{13}", "no number of times"),
        ("{2}", "follows nothing"),
        ("A{2}{2}", "follows nothing"),
        ("{year}{2}", "follows nothing"),
        ("A{9}B{9}", "18 characters"),
        ("[", "cannot be understood"),
        ("[]", "is no set"),
        ("[a]", "is no set"),
        ("[9-1]", "no range"),
        ("[Z-0]", "no range"),
        ("a", "cannot be understood"),
        ("{herd}", "cannot be understood"),
        ("A{0,1}", ""),
        ("*{1,6}*{0,2}#{0,2}@{0,2}", ""),
        ("A{0,3}B{0,3}C{0,3}D{0,3}1{0,3}", "more than 400"),
    ],
)
def test_bad_patterns(pattern: str, words: str) -> None:
    if not words:
        row_shapes(pattern, ALL)
        return
    with pytest.raises(ValueError, match=re.escape(words)):
        row_shapes(pattern, ALL)


def test_words_without_a_meaning_are_refused() -> None:
    bare = Vocabulary(in_use="1")
    for pattern, words in (
        ("{prefix}", "no prefix is given"),
        ("{check}", "no check is named"),
        ("@", "no character in use"),
    ):
        with pytest.raises(ValueError, match=words):
            row_shapes(pattern, bare)
