"""Ink on drawn cards, where it is known where dots are."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from legibility.containers import ColorImage
from legibility.read.card_dots import CardDots
from legibility.read.card_ink import LEAST_INK, ink_at

DOTS = np.array([(80.0 + 40 * i, 90.0 + 30 * j) for i in range(5) for j in range(3)])


def card(*, shining: bool, faint: int = 255) -> tuple[ColorImage, CardDots]:
    """Dots of radius 6, the first of which may be fainter, on paper lit from one side."""
    paper, ink = (110.0, 250.0) if shining else (210.0, 30.0)
    light = np.linspace(1.0, 0.85, 400)[None, :] * np.ones((300, 1))
    picture = paper * light
    for k, (x, y) in enumerate(DOTS):
        mask = np.zeros(picture.shape, np.uint8)
        cv2.circle(mask, (round(x), round(y)), 6, faint if k == 0 else 255, -1)
        picture += (ink - picture) * mask / 255
    pixels = np.repeat(np.clip(picture, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    dots = CardDots(DOTS, np.full(len(DOTS), 6.0), shining, 0.5, 0.01, 0, 1.0)
    return pixels, dots


@pytest.mark.parametrize("shining", [False, True])
def test_dots_have_ink_and_paper_between_them_has_none(shining: bool) -> None:
    pixels, dots = card(shining=shining)
    assert ink_at(pixels, dots, DOTS) == pytest.approx(1.0, abs=0.15)
    between = DOTS[:-1] + np.array([20.0, 15.0])
    assert (np.abs(ink_at(pixels, dots, between)) < 0.15).all()


def test_a_faint_dot_and_the_edge_of_a_wide_one_count() -> None:
    pixels, dots = card(shining=False, faint=115)
    # 115 of 255 levels: 0.45 of the contrast.
    assert ink_at(pixels, dots, DOTS[:1])[0] == pytest.approx(0.45, abs=0.1)
    beside = ink_at(pixels, dots, DOTS[4:5] + np.array([5.0, 0.0]))
    assert beside[0] > LEAST_INK
    # A needle one and a half dots away from its neighbour left bare paper.
    assert ink_at(pixels, dots, DOTS[4:5] + np.array([15.0, 0.0]))[0] < LEAST_INK


def test_beyond_the_picture_there_is_no_ink() -> None:
    pixels, dots = card(shining=False)
    assert ink_at(pixels, dots, np.array([(-50.0, 20.0), (20.0, 900.0)])).tolist() == [0.0, 0.0]
