"""Needle layouts: small figures by hand, and promises over all shipped sources."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS
from legibility.dies.layout import MIN_DISTANCE, needle_layout
from legibility.dies.strokes import Glyph, GlyphSource, load_sources

L_SHAPE = (np.array([[0, 0], [0, 1], [0.6, 1]], dtype=np.float32),)
T_SHAPE = (
    np.array([[0, 0], [0.4, 0]], dtype=np.float32),
    np.array([[0.4, 0], [0.8, 0]], dtype=np.float32),
    np.array([[0.4, 0], [0.4, 1]], dtype=np.float32),
)
_ANGLE = np.linspace(0, 2 * np.pi, 41)
RING = (np.stack([0.5 + 0.5 * np.sin(_ANGLE), 0.5 - 0.5 * np.cos(_ANGLE)], 1).astype(np.float32),)


def place(glyph: Glyph, needles: int, *, jitter: float = 0.0, seed: int = 0) -> NDArray[np.float32]:
    return needle_layout(glyph, needles=needles, jitter=jitter, rng=np.random.default_rng(seed))


def nearest(points: NDArray[np.float32]) -> NDArray[np.float64]:
    gaps = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1)).astype(np.float64)
    np.fill_diagonal(gaps, np.inf)
    return np.asarray(gaps.min(axis=1))


def has(points: NDArray[np.float32], x: float, y: float) -> bool:
    return bool(np.hypot(*(points - [x, y]).T).min() < 1e-6)


@pytest.mark.parametrize("needles", [5, 8, 12])
def test_ends_and_corner_of_an_l_carry_needles(needles: int) -> None:
    points = place(L_SHAPE, needles)
    assert all(has(points, *at) for at in ((0, 0), (0, 1), (0.6, 1)))


def test_ends_and_junction_of_a_t_carry_needles() -> None:
    points = place(T_SHAPE, 9)
    assert all(has(points, *at) for at in ((0, 0), (0.4, 0), (0.8, 0), (0.4, 1)))


def test_ring_is_even() -> None:
    """Chords of a regular n-gon in a circle of radius r are 2 r sin(pi/n) (Euclid)."""
    points = place(RING, 10)
    n = len(points)
    np.testing.assert_allclose(nearest(points), np.sin(np.pi / n), rtol=0.03)


def test_dots_of_a_grid_are_kept_and_thinned() -> None:
    dots = tuple(np.array([[0.0, row / 6]], dtype=np.float32) for row in range(7))
    np.testing.assert_allclose(place(dots, 8), np.concatenate(dots))
    few = place(dots, 5)
    assert len(few) == 5
    assert has(few, 0, 0)
    assert has(few, 0, 1)


def test_five_by_seven_e_keeps_its_corners_when_thinned() -> None:
    source = next(s for s in load_sources(split="train") if s.origin == "drawn here: five-seven")
    points = place(source.strokes[CHARACTERS.index("E")], 12)
    assert len(points) == 12
    right = 4 / 6
    assert all(
        np.hypot(*(points - at).T).min() < 1e-3 for at in ((0, 0), (right, 0), (0, 1), (right, 1))
    )


@pytest.mark.parametrize("needles", [8, 10, 12, 14, 16])
@pytest.mark.parametrize("split", ["train", "held_out"])
def test_count_distance_and_bounds(split: str, needles: int) -> None:
    for source in load_sources(split=split)[::3]:
        for character, glyph in zip(CHARACTERS, source.strokes, strict=True):
            points = place(glyph, needles)
            label = f"{source.name} {character} {needles}"
            assert points.dtype == np.float32
            assert points.min() >= -1e-6, label
            assert points[:, 1].max() <= 1 + 1e-6, label
            assert nearest(points).min() >= MIN_DISTANCE - 1e-4, label
            assert len(points) <= needles + 2, label
            assert len(points) >= min(needles - 2, room(source, glyph)), label


def room(source: GlyphSource, glyph: Glyph) -> int:
    """Needles that surely fit: all dots of a grid, or the lines' length over twice the distance."""
    if source.kind == "grid":
        return len(glyph)
    length = sum(float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in glyph)
    return int(length / (2 * MIN_DISTANCE))


def test_layout_is_repeatable_and_jitter_is_small() -> None:
    glyph = load_sources(split="train")[0].strokes[CHARACTERS.index("S")]
    first, again = (place(glyph, 12, jitter=0.02, seed=7) for _ in range(2))
    np.testing.assert_array_equal(first, again)
    assert not np.array_equal(first, place(glyph, 12, jitter=0.02, seed=8))
    still = place(glyph, 12)
    assert np.abs(first - still).max() < 0.02 * 6
    assert nearest(first).min() >= MIN_DISTANCE - 1e-6


def test_nothing_to_place_is_refused() -> None:
    with pytest.raises(ValueError, match="0 lines"):
        place((), 8)
    with pytest.raises(ValueError, match="0 needles"):
        place(L_SHAPE, 0)
