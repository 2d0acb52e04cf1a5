"""The verbal scale: bands of the ENFSI guideline (2015) and their reciprocals."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from legibility.evidence.verbal import BANDS, EDGES, SOURCE, band_range, verbal

# ENFSI Guideline for Evaluative Reporting (2015): a value inside each band, and its words.
INSIDE = [
    (1.5, "no support for one proposition over the other"),
    (5, "weak support"),
    (50, "moderate support"),
    (500, "moderately strong support"),
    (5_000, "strong support"),
    (500_000, "very strong support"),
    (5_000_000, "extremely strong support"),
]


@pytest.mark.parametrize(("ratio", "words"), INSIDE)
def test_bands_and_reciprocals(ratio: float, words: str) -> None:
    above, below = verbal(math.log(ratio)), verbal(-math.log(ratio))
    assert above.words == below.words == words
    assert above.ratio == pytest.approx(below.ratio) == pytest.approx(ratio)
    assert above.for_first
    assert below.for_first is (not below.supports)


@pytest.mark.parametrize(
    ("ratio", "words"), [(2, "weak support"), (10, "weak support"), (100, "moderate support")]
)
def test_an_edge_has_the_weaker_words(ratio: float, words: str) -> None:
    assert verbal(math.log(ratio)).words == words
    assert verbal(-math.log(ratio)).words == words


def test_the_table_is_whole_and_names_its_source() -> None:
    for lower, upper in pairwise(BANDS):
        assert lower.high == upper.low
    assert BANDS[0].low == 1
    assert math.isinf(BANDS[-1].high)
    assert "ENFSI" in SOURCE
    words = " ".join([SOURCE, EDGES, *(b.words for b in BANDS), *map(band_range, BANDS)])
    assert "match" not in words.lower()


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_a_ratio_must_be_a_number(bad: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        verbal(bad)
