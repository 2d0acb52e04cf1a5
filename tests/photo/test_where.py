"""Where to look, and reducing pictures."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from legibility.photo.where import dot_texture, guess_window, halve, halvings
from tests.photo.scene import as_photo, draw_mark, skin


@pytest.mark.parametrize(("left", "top"), [(150, 150), (500, 400), (750, 600)])
@pytest.mark.parametrize("height", [40, 80])
def test_window_holds_the_middle_of_the_mark(left: float, top: float, height: float) -> None:
    canvas = skin(900, 1200)
    quads = draw_mark(canvas, "A47E", left=left, top=top, height=height)
    gray = cv2.cvtColor(as_photo(canvas), cv2.COLOR_RGB2GRAY).astype(np.float32)
    window = guess_window(gray)
    x, y = np.concatenate(quads).mean(axis=0)
    assert window.left <= x < window.right
    assert window.top <= y < window.bottom


def test_dots_count_and_lines_do_not() -> None:
    gray = np.full((200, 200), 150, np.float32)
    cv2.circle(gray, (50, 100), 3, 60, -1)
    cv2.line(gray, (100, 20), (180, 180), 60, 2, cv2.LINE_AA)
    cv2.circle(gray, (50, 40), 3, 240, -1)
    texture = dot_texture(gray)
    dot = texture[97:104, 47:54].max()
    assert texture[60:140, 120:160].max() < 0.3 * dot
    assert texture[40, 50] < 0.1 * dot


@pytest.mark.parametrize("shape", [(1, 1), (1, 500), (700, 3), (33, 57)])
def test_window_is_inside_pictures_of_any_shape(shape: tuple[int, int]) -> None:
    gray = np.random.default_rng(0).uniform(0, 255, shape).astype(np.float32)
    window = guess_window(gray)
    assert 0 <= window.left < window.right <= shape[1]
    assert 0 <= window.top < window.bottom <= shape[0]


def test_halving() -> None:
    assert [halvings(side, 1000) for side in (1, 1000, 1001, 2000, 2001, 4000, 4001)] == [
        0, 0, 1, 1, 2, 2, 3,
    ]  # fmt: skip
    blocks = np.arange(16, dtype=np.float32).reshape(4, 4)
    np.testing.assert_allclose(halve(blocks, 1), [[2.5, 4.5], [10.5, 12.5]])
    assert halve(blocks, 9).shape == (1, 1)
