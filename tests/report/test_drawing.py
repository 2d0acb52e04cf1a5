"""Drawings are made where the quads say."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.containers import Reading
from legibility.report.drawing import SURE, UNSURE, draw_cells, picture_of_mark, shrink
from tests.example_results import ambiguous_result, cell, hypothesis
from tests.example_steps import example_pixels


def color_near(pixels: np.ndarray, color: tuple[int, int, int]) -> np.ndarray:
    return np.abs(pixels.astype(int) - color).max(axis=2) < 40


def test_the_frame_of_a_sure_character_lies_on_its_quad() -> None:
    pixels = np.full((120, 160, 3), 128, dtype=np.uint8)
    reading = Reading((hypothesis((cell("A", 0.99, 60.0),)),), -3.0)
    drawn = draw_cells(pixels, reading)
    assert color_near(drawn, SURE)[10, 60:81].mean() > 0.8
    assert color_near(drawn, SURE)[10:41, 60].mean() > 0.8
    assert not color_near(drawn, SURE)[15:35, 64:77].any()
    scaled = draw_cells(pixels, reading, scale=0.5)
    assert color_near(scaled, SURE)[5, 30:40].mean() > 0.8


def test_the_frame_of_an_unsure_character_is_broken_and_of_another_colour() -> None:
    pixels = np.full((200, 260, 3), 128, dtype=np.uint8)
    reading = Reading((hypothesis((cell("A", 0.5, 60.0),)),), -3.0)
    drawn = draw_cells(pixels, reading, scale=3.0)
    top = color_near(drawn, UNSURE)[30, 180:241]
    assert 0.3 < top.mean() < 0.95
    assert not color_near(drawn, SURE).any()


def test_without_a_reading_nothing_is_drawn() -> None:
    pixels = example_pixels()
    np.testing.assert_array_equal(draw_cells(pixels, Reading((), 0.0)), pixels)


@pytest.mark.parametrize("size", [(1, 1), (10, 3000), (3000, 10), (400, 400)])
def test_shrinking_keeps_proportions_and_limits(size: tuple[int, int]) -> None:
    small = shrink(np.zeros((*size, 3), dtype=np.uint8), max_height_px=100, max_width_px=300)
    assert small.shape[0] <= 100
    assert small.shape[1] <= 300
    assert small.shape[0] >= 1


def test_the_cut_out_mark_shows_its_cells() -> None:
    pixels = np.zeros((500, 500, 3), dtype=np.uint8)
    pixels[10:41, 0:81] = 255
    part = picture_of_mark(pixels, ambiguous_result().reading.hypotheses[0])
    assert part.max() == 255
    assert (part == 255).mean() > 0.2


def test_quads_outside_of_the_picture_do_no_harm() -> None:
    outside = hypothesis((cell("A", 0.9, 1e5),))
    assert picture_of_mark(example_pixels(), outside).size > 0
    draw_cells(example_pixels(), Reading((outside,), -1.0))
