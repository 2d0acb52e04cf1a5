"""Curves as SVG: places by hand, hostile words, gaps."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

from legibility.report.curve_plot import Band, Bar, Line, share_plot
from legibility.report.retention import pair_words

NAN = float("nan")


def test_places_and_words() -> None:
    text = share_plot(
        lines=[Line([(0.0, 1.0), (5.0, 0.5), (6.0, NAN), (7.0, 0.2), (8.0, 0.1)], "a & <b>")],
        bands=[Band([(0.0, 0.9), (5.0, 0.4)], [(0.0, 1.0), (5.0, 0.6)], "band")],
        bars=[Bar(2.5, 0.75, 0.5, 1.0, "bar")],
        x_most=10.0,
        x_words="<years>",
        y_words="share",
        label='"label"',
    )
    root = ET.fromstring(text)  # well formed, so hostile words are only words
    lines = root.findall("polyline")
    assert len(lines) == 2
    first = [tuple(map(float, p.split(","))) for p in lines[0].attrib["points"].split()]
    # The plot is 760 x 360 with margins 74, 16, 16, 46: the right end of the axis is at x = 744.
    assert first == [(74.0, 16.0), (74.0 + 670 / 2, 16.0 + 298 / 2)]
    title = lines[0].find("title")
    assert title is not None
    assert title.text == "a & <b>"
    assert len(root.findall("polygon")) == 1
    assert "&lt;years&gt;" in text
    assert root.attrib["aria-label"] == '"label"'


def test_stairs_stay_level() -> None:
    text = share_plot(
        lines=[Line([(0.0, 1.0), (1.0, 0.5)], "s", "step")],
        x_most=1.0, x_words="", y_words="", label="",
    )  # fmt: skip
    found = re.search(r'<polyline points="([^"]+)"', text)
    assert found is not None
    assert found.group(1).split() == ["74.0,16.0", "744.0,16.0", "744.0,165.0"]


def test_a_pair_in_words() -> None:
    text = pair_words(
        {
            "first": "chip", "second": "eye", "both": 10, "only_first": 0, "only_second": 20,
            "neither": 10, "p_value": 2e-6, "verdict": "eye identified more often", "n": 40,
            "difference": -0.5, "low": 0.0, "high": 0.168,
        }
    )  # fmt: skip
    assert "n = 40 " in text
    # Clopper-Pearson of 0 out of 20 (Newcombe 1998, Stat. Med. 17:857-872, Table I): 0 to .1684.
    assert "Where they differed it was chip in 0 of 20 (0.0 %, 95 % interval 0.0 to 16.8 %)" in text
    assert "difference -50.0 points" in text
