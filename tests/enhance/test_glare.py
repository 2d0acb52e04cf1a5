import numpy as np
import pytest
from skimage import data

from legibility.enhance.glare import find_glare
from tests.enhance.drawings import draw


@pytest.mark.parametrize("skin", ["pink", "grey", "dark"])
def test_highlights_are_found_and_the_marks_are_not(skin):
    drawing = draw(seed=3, skin=skin, highlights=3)
    found = find_glare(drawing.pixels)
    assert found[drawing.glare].mean() > 0.95
    assert not found[drawing.ink > 0.5].any()
    assert found.mean() < 3 * drawing.glare.mean()


def test_nothing_is_found_without_highlights():
    assert not find_glare(draw(seed=4).pixels).any()


def test_white_paper_is_no_glare():
    # A real printed page (scikit-image's page.png, of which 1 % is taken for glare where the light
    # is strongest), and its brighter half with the paper clipped to white.
    page = np.repeat(data.page()[..., None], 3, axis=2)
    assert find_glare(page).mean() < 0.02
    assert not find_glare(np.where(page > 150, 255, page).astype(np.uint8)[:, 200:]).any()


def test_a_large_pale_patch_of_skin_is_no_glare():
    pixels = np.full((200, 300, 3), (190, 150, 140), np.uint8)
    pixels[:, 150:] = (235, 228, 225)
    assert not find_glare(pixels).any()
