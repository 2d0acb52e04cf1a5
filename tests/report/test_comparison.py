"""Words and figures of a comparison."""

from __future__ import annotations

import math

import numpy as np
import pytest

from legibility.report.comparison_page import entropy_lines, tippett_lines
from legibility.report.comparison_text import log10_text, ratio_text, weight_sentence
from legibility.report.needle_picture import ENLARGED, LABEL_PX, ClaimNeedle, draw_claims


def test_two_significant_figures() -> None:
    assert [ratio_text(r) for r in (1.0, 1.84, 12.6, 1234.0, 2.5e6, 3.2e9)] == [
        "1 : 1",
        "1.8 : 1",
        "13 : 1",
        "1,200 : 1",
        "2,500,000 : 1",
        "3.2e+09 : 1",
    ]
    assert ratio_text(1 / 1234.0) == "1 : 1,200"
    assert log10_text(math.log(100.0)) == "+2.00"
    assert log10_text(-1e-4) == "+0.00"


@pytest.mark.parametrize(
    ("ratio", "words", "side", "said"),
    [
        (40.0, "moderate support", "A", "40 times more probable if claim A"),
        (1 / 40.0, "moderate support", "B", "40 times more probable if claim B"),
        (1.2, "no support", "neither", "about as probable"),
    ],
)
def test_the_weight_as_a_sentence(ratio: float, words: str, side: str, said: str) -> None:
    verbal: dict[str, object] = {"words": words, "for": side, "ratio": max(ratio, 1 / ratio)}
    record = {
        "ratio": ratio,
        "capped": False,
        "verbal": verbal,
        "against_neither": [{"ratio": 30.0}, {"ratio": 1 / 1.5}],
        "alternatives": [{"mark": "C9", "animal_ids": ["goat 9"], "ratio": 5.0}],
    }
    sentence = weight_sentence(record)
    assert said in sentence
    assert words in sentence
    assert "Neither claim" not in sentence
    record["against_neither"] = [{"ratio": 1 / 10}, {"ratio": 1 / 2.5}]
    worse = weight_sentence(record)
    assert worse.startswith(sentence)
    assert "10 : 1 than claim A and by 2.5 : 1 than claim B" in worse
    assert "C9 (goat 9)" in worse
    record["alternatives"] = []
    assert "registered" not in weight_sentence(record)


def test_a_tippett_plot_goes_in_steps_from_one_to_nothing() -> None:
    lines = tippett_lines({"log10_ratio": [-1.0, 2.0], "same": [1.0, 0.5], "other": [1.0, 0.0]})
    assert lines["same"][0] == (-1.0, 1.0)
    assert lines["same"][-1] == (2.0, 0.0)
    assert (2.0, 0.5) in lines["same"]


def test_cross_entropy_is_cut_at_the_top_of_the_plot() -> None:
    curve = {name: [0.2, 3.0] for name in ("ratios", "recalibrated", "silent")}
    assert entropy_lines({"log10_prior_odds": [-1.0, 1.0], **curve})["ratios"][1] == (1.0, 1.0)


def test_needles_are_drawn_where_they_are() -> None:
    ink = np.zeros((48, 384), np.float32)
    first = [ClaimNeedle(20.0, 24.0, 0.9, only=True)]
    picture = draw_claims(ink, first, [], span=(10.0, 60.0))
    half = (picture.shape[1] - 10) // 2
    y = LABEL_PX + round(24.5 * ENLARGED)
    x = round((20.0 - 4 + 0.5) * ENLARGED)
    assert tuple(picture[y, x]) == (196, 84, 0)
    assert (picture[LABEL_PX:, half + 10 :] == 255).all()


def test_an_interval_that_ends_at_the_cap_says_so_and_parts_add_up() -> None:
    import math

    from legibility.report.comparison_text import interval_text, sum_sentence

    uncapped = {"log_low_uncapped": math.log(2.0), "log_high_uncapped": math.log(9000.0)}
    assert interval_text({"low": 2.0, "high": 260.0, **uncapped}) == "2 : 1 to 260 : 1 (cap)"
    photos = [{"log_ratio": math.log(1000.0)}, {"log_ratio": math.log(10.0)}]
    record = {
        "photos": photos,
        "log_ratio_uncapped": math.log(10_000.0),
        "capped": True,
        "ratio": 100.0,
    }
    said = sum_sentence(record)
    assert "+3.00, +1.00, together +4.00" in said
    assert "stops at the cap, +2.00" in said
    assert "cap" not in sum_sentence({**record, "capped": False})
