"""What lies between drawn dots."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from legibility.containers import ColorImage, Points
from legibility.read.card_signs import NO_GROUND, Ground, ground_of

DOTS: Points = np.array([(120.0 + 30 * i, 130.0 + 40 * j) for i in range(6) for j in range(3)])


def paper(colour: tuple[int, int, int], *, slope: float = 0.0) -> ColorImage:
    light = 1.0 - slope * np.linspace(0, 1, 400)[None, :, None]
    picture = np.clip(np.array(colour) * light * np.ones((320, 1, 1)), 0, 255).astype(np.uint8)
    for x, y in DOTS:
        cv2.circle(picture, (round(x), round(y)), 5, (30, 30, 30), -1, cv2.LINE_AA)
    return picture


def look(pixels: ColorImage) -> Ground:
    inside = np.ones(pixels.shape[:2], dtype=np.bool_)
    return ground_of(pixels, DOTS, np.full(len(DOTS), 5.0), inside)


@pytest.mark.parametrize("colour", [(235, 235, 230), (150, 110, 70), (235, 185, 165)])
def test_paper_is_empty_in_every_colour_and_in_slanting_light(colour: tuple[int, int, int]) -> None:
    assert look(paper(colour)).clutter < 0.02
    assert look(paper(colour, slope=0.3)).clutter < 0.02


def test_hair_and_a_fold_are_no_paper() -> None:
    hairy = paper((200, 170, 150))
    for k in range(12):
        cv2.line(hairy, (30 * k, 60), (40 + 28 * k, 270), (60, 45, 40), 3, cv2.LINE_AA)
    assert look(hairy).spots > 0.1
    folded = paper((200, 170, 150)).astype(np.float32)
    across = np.exp(-(((np.arange(400) - 200) / 25.0) ** 2))
    folded *= (1 - 0.3 * across)[None, :, None]
    assert look(folded.astype(np.uint8)).shade > 0.1


def test_clutter_by_hand() -> None:
    assert Ground(spots=0.2, shade=0.2).clutter == pytest.approx(0.2)
    # (0.1 * 0.1 * 0.8) ** (1 / 3)
    assert Ground(spots=0.1, shade=0.8).clutter == pytest.approx(0.2)


def test_no_ground_is_no_paper() -> None:
    pixels = paper((200, 200, 200))
    nowhere = np.zeros(pixels.shape[:2], dtype=np.bool_)
    assert ground_of(pixels, DOTS, np.full(len(DOTS), 5.0), nowhere) is NO_GROUND
