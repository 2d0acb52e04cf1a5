import cv2
import numpy as np
import pytest

from legibility.enhance.hair import find_hair
from legibility.enhance.illumination import flatten_illumination
from tests.enhance.drawings import draw


@pytest.mark.parametrize(("skin", "light_hair"), [("pink", False), ("grey", False), ("dark", True)])
def test_drawn_hairs_are_found_and_needle_marks_are_not(skin, light_hair):
    true, false, elsewhere = [], [], []
    for seed in range(4):
        drawing = draw(seed=seed, skin=skin, hairs=5, light_hair=light_hair)
        found = find_hair(flatten_illumination(drawing.pixels))
        near = cv2.dilate(drawing.hair.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        true.append(found[drawing.hair].mean())
        false.append(found[(drawing.ink > 0.5) & ~near].mean())
        elsewhere.append(found[(drawing.ink < 0.05) & ~near].mean())
    assert np.mean(true) > 0.9
    assert np.mean(false) < 0.03
    assert np.mean(elsewhere) < 0.005


def test_dot_patterns_of_any_size_are_no_hair():
    # Weakest where black marks nearly touch (radius 3, pitch 9): up to a tenth of such a pattern.
    shares = []
    for radius, pitch in ((1.5, 5.0), (2.0, 7.0), (3.0, 9.0), (5.0, 16.0)):
        for ink in ("green", "black"):
            drawing = draw(seed=7, ink=ink, radius=radius, pitch=pitch)
            found = find_hair(flatten_illumination(drawing.pixels))
            shares.append(found[drawing.ink > 0.5].mean())
    assert np.mean(shares) < 0.02
    assert max(shares) < 0.12
    assert sum(share > 0 for share in shares) <= 1


def test_turning_the_picture_turns_the_mask():
    drawing = draw(seed=2, hairs=4)
    upright = find_hair(drawing.pixels)
    turned = np.rot90(find_hair(np.rot90(drawing.pixels).copy()), -1)
    assert (upright & turned).sum() / (upright | turned).sum() > 0.85
