"""Sharpness: known values, and the order of real photographs before and after a known blur."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data
from numpy.typing import NDArray

from legibility.photo.focus import (
    directional_detail,
    edge_sigma,
    noise_sigma,
    variance_of_laplacian,
)
from tests.opencv_doc import opencv_doc_gray
from tests.photo.scene import motion_kernel

SHARP = ("astronaut", "coffee", "chelsea", "rocket", "camera", "brick", "gravel")
OPENCV_DOC = ("fruits.jpg", "home.jpg", "graf1.png", "cards.png", "building.jpg", "butterfly.jpg")


def shipped(name: str) -> NDArray[np.float32]:
    picture = getattr(skimage.data, name)()
    if picture.ndim == 3:
        picture = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    return picture.astype(np.float32)


def photographs() -> dict[str, NDArray[np.float32]]:
    pictures = {name: shipped(name) for name in SHARP}
    return pictures | {n: opencv_doc_gray(f"data/{n}").astype(np.float32) for n in OPENCV_DOC}


def blurred(gray: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(gray, (0, 0), sigma))


def test_variance_of_laplacian_of_an_impulse() -> None:
    """By hand: responses -4, four times 1 over 81 pixels have mean 0 and variance 20/81
    (method: Pech-Pacheco et al. 2000)."""
    impulse = np.zeros((9, 9), np.float32)
    impulse[4, 4] = 1
    assert variance_of_laplacian(impulse) == pytest.approx(20 / 81, abs=1e-12)


@pytest.mark.parametrize(
    ("name", "sharp", "soft"),
    [
        ("imageTextN.png", 19_997, 18.3),
        ("sudoku.png", 199, 7.4),
        ("text_motion.jpg", 32.7, 2.6),
        ("text_defocus.jpg", 11.0, 1.4),
        ("licenseplate_motion.jpg", 10.9, 2.2),
    ],
)
def test_variance_of_laplacian_of_opencv_doc_photographs(
    name: str, sharp: float, soft: float
) -> None:
    """Values computed beforehand with cv2.Laplacian(CV_64F).var() on the files of opencv-doc
    4.6, before and after a Gaussian of sigma 2; JPEG decoders differ a little."""
    gray = opencv_doc_gray(f"data/{name}")
    oracle = cv2.Laplacian(gray, cv2.CV_64F).var()
    assert variance_of_laplacian(gray.astype(np.float32)) == pytest.approx(oracle, rel=1e-5)
    assert oracle == pytest.approx(sharp, rel=0.03)
    soft_gray = cv2.GaussianBlur(gray, (0, 0), 2)
    assert variance_of_laplacian(soft_gray.astype(np.float32)) == pytest.approx(soft, rel=0.06)


@pytest.mark.parametrize("sigma", [1.0, 2.0, 3.0, 5.0, 8.0])
def test_width_of_a_blurred_step_is_the_sigma_of_the_blur(sigma: float) -> None:
    step = np.zeros((256, 256), np.float32)
    step[:, 128:] = 100
    assert edge_sigma(blurred(step, sigma)) == pytest.approx(sigma, rel=0.12)
    assert edge_sigma(step) < 0.5


def test_width_follows_blur_on_photographs_whatever_the_scene() -> None:
    rows = []
    for name, gray in photographs().items():
        widths = [edge_sigma(blurred(gray, sigma)) for sigma in (0.01, 2.0, 4.0, 8.0)]
        assert widths == sorted(widths), name
        assert widths[0] < 1.3, name
        assert widths[1] > 1.5, name
        rows.append(widths)
    middle = np.median(rows, axis=0)
    np.testing.assert_allclose(middle[1:], [2, 4, 8], rtol=0.15)


def test_width_is_not_misled_by_contrast_or_noise() -> None:
    rng = np.random.default_rng(3)
    for name in ("astronaut", "coffee", "camera"):
        gray = blurred(shipped(name), 3)
        faint = 0.3 * gray + 50
        noisy = gray + rng.normal(0, 6, gray.shape).astype(np.float32)
        assert edge_sigma(faint) == pytest.approx(edge_sigma(gray), rel=0.05)
        assert edge_sigma(noisy) == pytest.approx(edge_sigma(gray), rel=0.15)


def test_defocused_and_moved_photographs_have_wide_edges() -> None:
    """Out of focus and moved according to opencv-doc's own tutorials on deblurring."""
    sharpest = max(edge_sigma(gray) for gray in photographs().values())
    assert edge_sigma(opencv_doc_gray("data/text_defocus.jpg").astype(np.float32)) > 2 * sharpest
    moved = opencv_doc_gray("data/licenseplate_motion.jpg").astype(np.float32)
    assert edge_sigma(moved) > 1.5 * sharpest


def test_nothing_to_measure() -> None:
    assert np.isnan(edge_sigma(np.full((64, 64), 7, np.float32)))
    noise = np.random.default_rng(0).normal(128, 5, (300, 400)).astype(np.float32)
    assert np.isnan(edge_sigma(noise))
    assert directional_detail(np.full((64, 64), 7, np.float32)).anisotropy == 1.0
    assert np.isnan(edge_sigma(np.zeros((1, 1), np.float32)))


def test_noise_of_known_strength() -> None:
    rng = np.random.default_rng(5)
    noise = rng.normal(0, 4, (400, 400)).astype(np.float32)
    assert noise_sigma(noise) == pytest.approx(4, rel=0.05)


def test_movement_shows_as_uneven_detail_at_every_angle() -> None:
    gray = shipped("gravel")
    assert directional_detail(gray).anisotropy < 1.1
    assert directional_detail(blurred(gray, 2)).anisotropy < 1.1
    for angle in (0, 20, 45, 90, 135):
        moved = cv2.filter2D(gray, -1, motion_kernel(15, angle))
        assert directional_detail(moved).anisotropy > 1.5


def test_uneven_detail_does_not_depend_on_the_stretch_of_grey_levels() -> None:
    moved = cv2.filter2D(shipped("grass"), -1, motion_kernel(9, 30))
    first, second = directional_detail(moved), directional_detail(moved * 3 + 11)
    assert first.weakest == pytest.approx(second.weakest, rel=1e-3)
    assert first.strongest == pytest.approx(second.strongest, rel=1e-3)
