"""Patches and their corners on drawn shapes, whose corners can be counted."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from legibility.containers import ColorImage
from legibility.read.card_ground import even_patches


def gravel(shape: tuple[int, int] = (480, 640)) -> ColorImage:
    rng = np.random.default_rng(0)
    coarse = rng.integers(40, 220, (shape[0] // 6, shape[1] // 6, 3), dtype=np.uint8)
    return np.asarray(cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_LINEAR), np.uint8)


def drawn(corners: list[tuple[int, int]], colour: tuple[int, int, int]) -> ColorImage:
    picture = gravel()
    cv2.fillConvexPoly(picture, np.array(corners, np.int32), colour)
    return picture


@pytest.mark.parametrize("colour", [(235, 235, 230), (130, 95, 60), (240, 190, 170)])
@pytest.mark.parametrize(
    ("corners", "number"),
    [
        ([(140, 120), (470, 60), (520, 330), (180, 390)], 4),
        ([(-50, 120), (470, 60), (520, 330), (-50, 390)], 2),
    ],
)
def test_corners_of_a_card_are_counted_whatever_its_colour(
    corners: list[tuple[int, int]], number: int, colour: tuple[int, int, int]
) -> None:
    patch = max(even_patches(drawn(corners, colour)), key=lambda patch: patch.corners)
    assert patch.corners == number
    middle = np.clip(np.mean(corners, axis=0), 0, None).astype(int)
    assert patch.inside[middle[1], middle[0]]
    assert not patch.inside[5, 5]


def test_a_round_patch_has_no_corners() -> None:
    picture = gravel()
    cv2.ellipse(picture, (320, 240), (230, 150), 20, 0, 360, (220, 170, 150), -1)
    patches = even_patches(picture)
    assert any(patch.inside[240, 320] and patch.even for patch in patches)
    assert all(patch.corners == 0 for patch in patches)


def test_two_straight_sides_count_without_a_corner() -> None:
    strip = drawn([(-50, 150), (700, 110), (700, 350), (-50, 390)], (230, 230, 225))
    assert max(patch.corners for patch in even_patches(strip)) == 1


def test_an_even_picture_is_one_patch() -> None:
    (patch,) = even_patches(np.full((300, 400, 3), 120, np.uint8))
    assert patch.inside.all()
    assert patch.corners == 0
