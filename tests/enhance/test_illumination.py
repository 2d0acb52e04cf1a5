import cv2
import numpy as np
import pytesseract
import pytest
from rapidfuzz.distance import Levenshtein
from skimage import data
from skimage.filters import threshold_otsu, threshold_sauvola

from legibility.enhance.illumination import background_light, flatten_illumination

PAGE_TEXT = (
    "Region-based segmentation Let us first determine markers of the coins and the background. "
    "These markers are pixels that we can label unambiguously as either object or background. "
    "Here, the markers are found at the two extreme parts of the histogram of grey values: "
    ">>> markers = np.zeros_like(coins)"
)
"""Text of scikit-image's page.png, transcribed by eye."""


@pytest.fixture(scope="module")
def page():
    return np.repeat(data.page()[..., None], 3, axis=2)


def corner_means(gray):
    """Top left, bottom left, top right, bottom right quarter of each side."""
    height, width = gray.shape[0] // 4, gray.shape[1] // 4
    return [
        float(gray[rows, columns].mean())
        for columns in (slice(None, width), slice(-width, None))
        for rows in (slice(None, height), slice(-height, None))
    ]


def character_errors(pixels):
    found = " ".join(pytesseract.image_to_string(pixels, config="--psm 6").split())
    return Levenshtein.distance(PAGE_TEXT, found) / len(PAGE_TEXT)


def test_corner_to_corner_light_of_the_page_is_evened(page):
    # scikit-image's page.png: mean grey 135, 104, 234, 227 in the corners (measured on the file).
    before, after = corner_means(page), corner_means(flatten_illumination(page))
    assert before == pytest.approx([135, 104, 234, 227], abs=1.5)
    assert max(before) / min(before) > 2.1
    assert max(after) / min(after) < 1.1


def test_one_threshold_for_the_page_works_after_evening(page):
    # Measured with scikit-image on its page.png: Otsu calls 35.7 % ink, because of the shading;
    # Sauvola's local threshold (window 25) 12.8 %, the true share of print.
    gray = page[..., 0]
    assert (gray < threshold_otsu(gray)).mean() == pytest.approx(0.357, abs=0.002)
    sauvola = (gray <= threshold_sauvola(gray, window_size=25)).mean()
    assert sauvola == pytest.approx(0.128, abs=0.002)
    even = flatten_illumination(page)[..., 0]
    assert (even <= threshold_otsu(even)).mean() == pytest.approx(sauvola, abs=0.03)


def test_tesseract_reads_the_page_better(page):
    # Outside reader: Tesseract 5 misread 32 % of the characters before, 2 % after.
    before, after = character_errors(page), character_errors(flatten_illumination(page))
    assert before > 0.2
    assert after < 0.08


def test_a_known_gradient_is_taken_out():
    rng = np.random.default_rng(1)
    skin = rng.normal(150, 4, (300, 400, 1)) * np.array([1.0, 0.85, 0.8])
    slope = np.linspace(0.5, 1.4, 400)[None, :, None]
    even = flatten_illumination(np.clip(skin * slope, 0, 255).astype(np.uint8)).astype(float)
    columns = even.mean(axis=(0, 2))[20:-20]
    assert columns.max() / columns.min() < 1.12
    ratio = even[..., 1].mean() / even[..., 0].mean()
    assert ratio == pytest.approx(0.85, abs=0.02)


def test_ink_does_not_darken_the_background():
    pixels = np.full((300, 400, 3), 180, np.uint8)
    cv2.putText(pixels, "A7K3", (90, 180), cv2.FONT_HERSHEY_SIMPLEX, 3, (40, 40, 40), 9)
    # Darkened by a fifth at most where strokes crowd, and nowhere near as much as a plain average.
    light = background_light(pixels)
    average = cv2.GaussianBlur(pixels[..., 0].astype(np.float32), (0, 0), 20)
    assert light.min() > 0.8 * 180
    assert 180 - light.mean() < 0.3 * (180 - average.mean())


def test_gain_is_limited():
    pixels = np.full((60, 200, 3), 2, np.uint8)
    pixels[:, :100] = 200
    assert flatten_illumination(pixels, max_gain=3.0)[:, -20:].max() <= 6
