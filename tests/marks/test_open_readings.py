from __future__ import annotations

import pytest

from legibility.alphabet import CHARACTERS
from legibility.marks.open_readings import clean_reading, reading_rows


@pytest.mark.parametrize(
    ("text", "cleaned"),
    [(" ab / 1?3 ", "AB/1?3"), ("-", "-"), ("a[b8]1", "A[8B]1"), ("[88B]", "[8B]"), ("", "")],
)
def test_readings_as_people_write_them(text: str, cleaned: str) -> None:
    assert clean_reading(text) == (cleaned, "")


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("A[8", "'['"),
        ("A[]1", "'['"),
        ("=1+1", "'+'"),
        ("A//1", "empty row"),
        ("A/B/C", "more than two"),
        ("K\u041217", "CYRILLIC CAPITAL LETTER VE"),
        ("K\uff1817", "FULLWIDTH DIGIT EIGHT"),
        ("K\u013117", "LATIN SMALL LETTER DOTLESS I"),
    ],
)
def test_what_is_no_reading_is_named(text: str, named: str) -> None:
    assert named in clean_reading(text)[1]


def test_places() -> None:
    assert reading_rows("K[8B]/?7") == (("K", "8B"), (CHARACTERS, "7"))
    assert reading_rows("-") == reading_rows("") == ()
