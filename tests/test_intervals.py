"""Intervals against published worked examples."""

from __future__ import annotations

import pytest

from legibility.intervals import clopper_pearson, rate, wilson

# Newcombe 1998, Stat. Med. 17:857-872, Table I (four decimals)
CASES = [(81, 263), (15, 148), (0, 20), (1, 29)]
WILSON = [(0.2553, 0.3662), (0.0624, 0.1605), (0.0, 0.1611), (0.0061, 0.1718)]
EXACT = [(0.2527, 0.3676), (0.0578, 0.1617), (0.0, 0.1684), (0.0009, 0.1776)]


@pytest.mark.parametrize(("case", "expected"), list(zip(CASES, WILSON, strict=True)))
def test_wilson_matches_newcombe(case, expected):
    assert wilson(*case) == pytest.approx(expected, abs=5.1e-5)


@pytest.mark.parametrize(("case", "expected"), list(zip(CASES, EXACT, strict=True)))
def test_clopper_pearson_matches_newcombe(case, expected):
    assert clopper_pearson(*case) == pytest.approx(expected, abs=5.1e-5)


def test_ten_of_ten():
    # 10/10: .6915-1 (same source's method, recomputed with statsmodels)
    assert clopper_pearson(10, 10) == pytest.approx((0.6915, 1.0), abs=5e-5)


def test_zero_of_fourteen_one_sided():
    # Hanley & Lippman-Hand 1983: exact one-sided upper limit 1 - .05^(1/14) = .1926
    assert clopper_pearson(0, 14, confidence=0.90)[1] == pytest.approx(0.1926, abs=5e-5)


@pytest.mark.parametrize(("count", "total"), [(-1, 5), (6, 5), (0, 0)])
def test_impossible_counts_are_refused(count, total):
    with pytest.raises(ValueError, match="no share"):
        clopper_pearson(count, total)
    with pytest.raises(ValueError, match="no share"):
        wilson(count, total)


def test_rate_of_nothing_says_nothing():
    empty = rate(0, 0)
    assert (empty.low, empty.high) == (0.0, 1.0)
    assert empty.value != empty.value
