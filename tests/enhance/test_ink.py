import numpy as np
import pytest
from skimage import data
from skimage.color import hed_from_rgb, rgb2hed, rgb_from_hed

from legibility.enhance.illumination import flatten_illumination
from legibility.enhance.ink import OPTICAL_FLOOR, separate_ink, unmix
from tests.enhance.drawings import INKS, SKINS, draw, needle_places


def test_unmixing_agrees_with_scikit_image():
    # Oracle: scikit-image's rgb2hed with the stains of Ruifrok & Johnston (2001); it divides by
    # -log(1e-6). Its rows and the first row of the inverse as published there.
    assert rgb_from_hed == pytest.approx(
        np.array([[0.65, 0.70, 0.29], [0.07, 0.99, 0.11], [0.27, 0.57, 0.78]])
    )
    assert hed_from_rgb[0] == pytest.approx([1.877983, -1.007679, -0.556116], abs=1e-6)
    tissue = data.immunohistochemistry()[::4, ::4]
    ours = unmix(tissue, rgb_from_hed) / -np.log(OPTICAL_FLOOR)
    assert ours == pytest.approx(rgb2hed(tissue), abs=1e-5)


def test_unmixing_finds_known_amounts():
    # By hand: Beer-Lambert, transmitted light = exp(-amounts . stains).
    stains = np.array([[1.0, 0.2, 0.1], [0.1, 0.9, 0.3], [0.2, 0.1, 1.0]])
    amounts = np.array([0.5, 0.3, 0.2])
    pixels = np.tile(np.round(255 * np.exp(-amounts @ stains)).astype(np.uint8), (2, 2, 1))
    assert unmix(pixels, stains)[0, 0] == pytest.approx(amounts, abs=0.01)


@pytest.mark.parametrize("matrix", [np.ones((3, 3)), np.eye(2), np.zeros((3, 3))])
def test_stains_that_cannot_be_told_apart_are_refused(matrix):
    with pytest.raises(ValueError, match="cannot be inverted"):
        unmix(np.zeros((2, 2, 3), np.uint8), matrix)


@pytest.mark.parametrize("skin", SKINS)
@pytest.mark.parametrize("ink", INKS)
def test_any_ink_is_told_from_any_skin(skin, ink):
    drawing = draw(seed=5, skin=skin, ink=ink)
    found = separate_ink(flatten_illumination(drawing.pixels))
    columns, rows = np.round(needle_places(14.0)).astype(int).T
    assert np.median(found[rows, columns]) > 0.7
    assert found[drawing.ink < 0.02].mean() < 0.03


def test_stronger_ink_never_gives_less():
    columns, rows = np.round(needle_places(14.0)).astype(int).T
    levels = [
        separate_ink(draw(seed=6, strength=strength).pixels)[rows, columns].mean()
        for strength in (0.0, 0.15, 0.3, 0.6)
    ]
    assert levels == sorted(levels)
    assert levels[0] < 0.1


def test_hidden_pixels_show_no_ink_and_teach_no_colour():
    drawing = draw(seed=8)
    spoiled = drawing.pixels.copy()
    spoiled[:60] = (10, 10, 200)
    hidden = np.zeros(drawing.ink.shape, np.bool_)
    hidden[:70] = True
    found = separate_ink(spoiled, not_seen=hidden)
    assert not found[hidden].any()
    columns, rows = np.round(needle_places(14.0)).astype(int).T
    assert np.median(found[rows, columns]) > 0.6
