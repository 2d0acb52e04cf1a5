import cv2
import numpy as np
import pytesseract
import pytest
from rapidfuzz.distance import Levenshtein
from skimage import data, exposure, img_as_float
from skimage.color import rgb2gray

from legibility.enhance.contrast import dot_join, stretch_contrast
from legibility.enhance.illumination import flatten_illumination
from legibility.enhance.ink import separate_ink
from tests.enhance.drawings import draw


def peak_snr(first, second):
    """As in scikit-image's own test of CLAHE: natural logarithm, no root of the squared error."""
    return 20 * np.log(1 / np.mean((rgb2gray(first) - rgb2gray(second)) ** 2))


def test_the_oracle_gives_its_published_figure():
    # scikit-image's test of CLAHE (tests/test_exposure.py): the grey astronaut in three channels,
    # kernel (57, 51), clip 0.01, 128 bins: "peak SNR" 100.140.
    gray = rgb2gray(img_as_float(data.astronaut()))
    three = np.dstack((gray, gray, gray))
    theirs = exposure.equalize_adapthist(three, kernel_size=(57, 51), clip_limit=0.01, nbins=128)
    assert peak_snr(three, theirs) == pytest.approx(100.140, abs=1e-3)


def test_ours_changes_a_photograph_as_scikit_image_does():
    # Oracle: scikit-image's CLAHE of the lightness, same tiles; its limit is a share of a tile,
    # ours a multiple of the mean of 256 bins. They differ in how they spread what was cut off.
    photograph = np.repeat(data.camera()[..., None], 3, axis=2)
    before = lightness(photograph)
    theirs = exposure.equalize_adapthist(before, kernel_size=64, clip_limit=4 / 256, nbins=256)
    ours = lightness(stretch_contrast(photograph, clip_limit=4.0, tiles=8))
    changes = np.corrcoef((ours - before).ravel(), (theirs - before).ravel())
    assert changes[0, 1] > 0.97
    assert np.abs(ours - theirs).mean() < 0.2 * np.abs(theirs - before).mean()


def lightness(pixels):
    return cv2.cvtColor(pixels, cv2.COLOR_RGB2LAB)[..., 0] / 255


def test_faint_marks_gain_contrast_and_keep_their_hue():
    drawing = draw(seed=1, strength=0.3)
    pixels = flatten_illumination(drawing.pixels)
    stretched = stretch_contrast(pixels)
    inked, bare = drawing.ink > 0.2, drawing.ink < 0.02

    def difference(picture):
        return picture[bare].mean() - picture[inked].mean()

    assert difference(stretched) > 1.3 * difference(pixels)
    lab = [cv2.cvtColor(picture, cv2.COLOR_RGB2LAB)[..., 1:] for picture in (pixels, stretched)]
    assert np.abs(lab[0].astype(int) - lab[1]).mean() < 3


def test_tesseract_reads_joined_needles_and_not_the_plain_crop():
    # Outside reader: Tesseract. Letters of needles on skin, H, T and L (see drawings).
    drawing = draw(seed=9, pitch=16.0)
    crop = (slice(160, 290), slice(160, 440))
    strip = dot_join(separate_ink(flatten_illumination(drawing.pixels))[crop].copy(), pitch_px=16.0)
    config = "--psm 7 -c tessedit_char_whitelist=ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
    plain, joined = (
        "".join(pytesseract.image_to_string(picture, config=config).split())
        for picture in (drawing.pixels[crop], strip)
    )
    assert Levenshtein.distance("HTL", joined) <= 1
    assert Levenshtein.distance("HTL", plain) >= Levenshtein.distance("HTL", joined)


@pytest.mark.parametrize(("pitch", "marks"), [(10.0, 1), (30.0, 5)])
def test_needles_a_pitch_apart_are_joined_and_others_are_not(pitch, marks):
    # By hand: five dots in a row, 10 px apart, are one stroke when 10 px is the pitch.
    ink = np.zeros((40, 220), np.float32)
    for n in range(5):
        cv2.circle(ink, (round(20 + pitch * n), 20), 2, 1.0, -1)
    strip = dot_join(ink, pitch_px=10.0, stroke_pitch_px=10.0)
    assert strip.dtype == np.uint8
    assert cv2.connectedComponents((strip < 128).astype(np.uint8))[0] - 1 == marks
    assert strip[0, 0] == 255


@pytest.mark.parametrize("pitch", [0.0, -1.0, float("nan"), float("inf")])
def test_a_pitch_that_is_none_is_refused(pitch):
    with pytest.raises(ValueError, match="pitch_px"):
        dot_join(np.zeros((5, 5), np.float32), pitch_px=pitch)


def test_a_tiny_pitch_does_not_fill_the_memory():
    assert max(dot_join(np.zeros((40, 400), np.float32), pitch_px=0.01).shape) <= 4032
