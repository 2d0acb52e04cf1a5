"""The rules by which needles are placed: on the lines, apart, as many as wanted."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from legibility.dies.layout import MIN_DISTANCE, needle_layout
from legibility.dies.placing import LEAST_KEPT, RULES, Rule, draw_placing, place_needles
from legibility.dies.strokes import Points, load_sources

LINE = np.array([[0.0, 0.0], [0.0, 1.0]], np.float32)
BOX = (np.array([[0, 0], [0.6, 0], [0.6, 1], [0, 1], [0, 0]], np.float32),)


def placed(strokes: tuple[Points, ...], rule: Rule, *, needles: int, seed: int = 1) -> Points:
    placing = draw_placing(np.random.default_rng(seed), rule=rule)
    return place_needles(
        strokes, placing, needles=needles, jitter=0.0, rng=np.random.default_rng(seed)
    )


def off_the_lines(points: Points, strokes: tuple[Points, ...]) -> float:
    """Largest distance of a needle from the nearest line, glyph heights."""
    worst = 0.0
    for point in points:
        near = np.inf
        for line in strokes:
            for a, b in itertools.pairwise(line):
                along = np.clip(np.dot(point - a, b - a) / max(np.dot(b - a, b - a), 1e-9), 0, 1)
                near = min(near, float(np.hypot(*(a + along * (b - a) - point))))
        worst = max(worst, near)
    return worst


@pytest.mark.parametrize("seed", range(6))
def test_loose_needles_lie_on_the_lines_and_apart(seed: int) -> None:
    points = placed(BOX, "loose", needles=12, seed=seed)
    assert off_the_lines(points, BOX) < 0.011
    gaps = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    assert gaps[~np.eye(len(points), dtype=bool)].min() >= MIN_DISTANCE - 1e-6
    assert 9 <= len(points) <= 12


def test_loose_needles_start_anywhere() -> None:
    tops = [placed((LINE,), "loose", needles=5, seed=seed)[:, 1].min() for seed in range(40)]
    assert min(tops) < 0.03
    assert max(tops) > 0.12
    ends = needle_layout((LINE,), needles=5, jitter=0.0, rng=np.random.default_rng(1))
    assert ends[:, 1].min() == 0.0


@pytest.mark.parametrize("seed", range(6))
def test_a_matrix_stands_in_columns_and_rows(seed: int) -> None:
    points = placed(load_sources(split="train")[0].strokes[1], "matrix", needles=22, seed=seed)
    for axis in (0, 1):
        values = np.unique(points[:, axis].round(4))
        steps = np.diff(values)
        assert len(values) <= 10
        np.testing.assert_allclose(steps / steps.min(), np.round(steps / steps.min()), atol=0.02)


def test_a_rich_matrix_is_thinned_to_what_is_wanted_or_by_a_third() -> None:
    strokes = load_sources(split="train")[0].strokes[1]
    for seed in range(8):
        placing = draw_placing(np.random.default_rng(seed), rule="matrix")
        full = len(placed(strokes, "matrix", needles=99, seed=seed))
        kept = len(placed(strokes, "matrix", needles=9, seed=seed))
        assert kept == (9 if placing.even else max(9, round(LEAST_KEPT * full)))


def test_ends_are_the_layout_as_it_was() -> None:
    for strokes in load_sources(split="train")[3].strokes:
        expected = needle_layout(strokes, needles=11, jitter=0.02, rng=np.random.default_rng(4))
        placing = draw_placing(np.random.default_rng(2), rule="ends")
        said = place_needles(
            strokes, placing, needles=11, jitter=0.02, rng=np.random.default_rng(4)
        )
        np.testing.assert_array_equal(said, expected)


@pytest.mark.parametrize("rule", RULES)
def test_no_lines_are_refused(rule: Rule) -> None:
    with pytest.raises(ValueError, match="expected at least one each"):
        placed((), rule, needles=9)
