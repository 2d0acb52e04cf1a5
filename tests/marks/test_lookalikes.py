from __future__ import annotations

import unicodedata

import pytest

from legibility.marks.lookalikes import _TWINS, describe_foreign, plain_twin


@pytest.mark.parametrize(
    ("character", "twin"),
    [
        ("\u0412", "B"),
        ("\u0432", "B"),
        ("\uff18", "8"),
        ("\u0391", "A"),
        ("\u0417", "3"),
        ("é", ""),
    ],
)
def test_twins(character: str, twin: str) -> None:
    # Names by the Unicode database of Python's standard library; pairs as in Unicode Technical
    # Standard 39, confusables (capitals).
    assert plain_twin(character) == twin
    text = describe_foreign(character)
    assert unicodedata.name(character) in text
    assert (f"looks like {twin}" in text) == bool(twin)


def test_twins_are_capitals_of_the_scripts_they_should_be() -> None:
    for character in _TWINS:
        assert unicodedata.name(character).split()[:2] in (
            ["CYRILLIC", "CAPITAL"],
            ["GREEK", "CAPITAL"],
        )


def test_invisible_characters_are_shown_escaped() -> None:
    assert "'\\u200b'" in describe_foreign("\u200b")
    assert describe_foreign("!") == "'!'"
