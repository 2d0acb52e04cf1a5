"""The capture check on drawn marks and real photographs with known faults."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data
from numpy.typing import NDArray

from legibility.containers import CaptureCheck, Flag, Photo
from legibility.photo.capture import MarkBox, check_capture
from tests.opencv_doc import opencv_doc_rgb
from tests.photo.scene import as_photo, draw_mark, motion_kernel, skin

BLUR_OR_MOTION = Flag.BLURRED | Flag.MOTION


def photo(pixels: NDArray[np.uint8]) -> Photo:
    return Photo(name="ear.jpg", sha256="0" * 64, pixels=pixels)


def scene(
    height: float = 80, *, left: float = 400, top: float = 400
) -> tuple[NDArray[np.float32], MarkBox]:
    canvas = skin(900, 1200)
    return canvas, MarkBox(draw_mark(canvas, "A47E", left=left, top=top, height=height))


def check(canvas: NDArray[np.float32], mark: MarkBox | None = None) -> CaptureCheck:
    return check_capture(photo(as_photo(canvas)), mark=mark)


@pytest.mark.parametrize("height", [24, 40, 80, 160])
def test_good_photo_has_no_flag(height: float) -> None:
    canvas, mark = scene(height, left=150)
    assert check(canvas, mark).flags == Flag.NONE
    assert check(canvas, mark).good_enough
    assert check(canvas).flags == Flag.NONE


@pytest.mark.parametrize("height", [24, 40, 80, 160])
def test_blur_is_judged_against_the_height_of_the_characters(height: float) -> None:
    """Dots merge at h / 12, strokes at h / 6 (Sparrow's criterion): the limit lies between."""
    canvas, mark = scene(height, left=150)
    shares = []
    for share in (0.02, 0.05, height / 12 / height, 0.17):
        result = check(cv2.GaussianBlur(canvas, (0, 0), share * height), mark)
        shares.append(result.measures["blur_share"])
        assert bool(result.flags & Flag.BLURRED) == (share > 0.12)
        assert result.good_enough == (share < 0.12)
    assert shares == sorted(shares)


def test_blur_of_the_same_picture_at_another_size() -> None:
    canvas, mark = scene(160, left=150)
    soft = cv2.GaussianBlur(canvas, (0, 0), 14)
    small = cv2.resize(soft, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    small_mark = MarkBox(tuple(quad / 2 for quad in mark.quads))
    first, second = check(soft, mark).measures, check(small, small_mark).measures
    assert second["blur_share"] == pytest.approx(first["blur_share"], rel=0.2)
    assert second["blur_px"] == pytest.approx(first["blur_px"] / 2, rel=0.2)


@pytest.mark.parametrize("angle_deg", [30, 60, 120])
def test_movement_is_told_from_lack_of_focus(angle_deg: float) -> None:
    canvas, mark = scene(64, left=300)
    moved = cv2.filter2D(canvas, -1, motion_kernel(0.6 * 64, angle_deg))
    result = check(moved, mark)
    assert result.flags & Flag.MOTION
    assert not result.good_enough
    assert not check(cv2.GaussianBlur(canvas, (0, 0), 10), mark).flags & Flag.MOTION


@pytest.mark.parametrize(
    "name", ["astronaut", "coffee", "chelsea", "rocket", "retina", "camera", "gravel", "brick"]
)
def test_sharp_photographs_without_a_mark_box(name: str) -> None:
    picture = getattr(skimage.data, name)()
    pixels = picture if picture.ndim == 3 else np.repeat(picture[:, :, None], 3, axis=2)
    assert not check_capture(photo(pixels)).flags & BLUR_OR_MOTION


@pytest.mark.parametrize("name", ["fruits.jpg", "home.jpg", "graf1.png", "cards.png", "aloeL.jpg"])
def test_photographs_of_opencv_doc_before_and_after_blur(name: str) -> None:
    pixels = opencv_doc_rgb(f"data/{name}")
    assert not check_capture(photo(pixels)).flags & BLUR_OR_MOTION
    soft = cv2.GaussianBlur(pixels, (0, 0), 0.01 * max(pixels.shape))
    assert check_capture(photo(soft)).flags & Flag.BLURRED


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("text_defocus.jpg", Flag.BLURRED),
        ("text_motion.jpg", Flag.MOTION),
        ("licenseplate_motion.jpg", BLUR_OR_MOTION),
    ],
)
def test_photographs_spoilt_by_focus_or_movement(name: str, expected: Flag) -> None:
    """What is wrong with each is said by opencv-doc's tutorials on deblurring."""
    result = check_capture(photo(opencv_doc_rgb(f"data/{name}")))
    assert result.flags & expected
    assert not result.good_enough


def test_light() -> None:
    canvas, mark = scene()
    assert check(canvas * 0.2, mark).flags & Flag.TOO_DARK
    assert check(np.minimum(canvas * 1.2 + 110, 255), mark).flags & Flag.TOO_BRIGHT
    wet = canvas.copy()
    cv2.circle(wet, (470, 440), 45, (255, 255, 255), -1, cv2.LINE_AA)
    result = check(wet, mark)
    assert result.flags == Flag.GLARE
    assert result.good_enough  # what is covered is "not seen"; the rest can be read
    away = canvas.copy()
    cv2.circle(away, (1000, 100), 60, (255, 255, 255), -1, cv2.LINE_AA)
    assert check(away, mark).flags == Flag.NONE
    fog = 190 + 0.05 * (canvas - canvas.mean())
    assert check(cv2.GaussianBlur(fog, (0, 0), 3)).flags & Flag.LOW_CONTRAST


def test_hair_over_the_mark() -> None:
    rng = np.random.default_rng(1)
    canvas, mark = scene()
    shares = [check(canvas, mark).measures["hair_share"]]
    for _ in range(2):
        for _ in range(90):
            x, angle = rng.uniform(0, 1200), rng.normal(1.3, 0.2)
            ends = np.array([[x, 0], [x + 900 / np.tan(angle), 900]])
            color = (235, 225, 210) if rng.random() < 0.5 else (90, 70, 50)
            cv2.polylines(canvas, [np.rint(ends).astype(np.int32)], False, color, 2, cv2.LINE_AA)
        shares.append(check(canvas, mark).measures["hair_share"])
    assert shares == sorted(shares)
    result = check(canvas, mark)
    assert result.flags & Flag.HAIR
    assert not result.flags & BLUR_OR_MOTION


def test_framing() -> None:
    small, small_mark = scene(10)
    assert check(small, small_mark).flags & Flag.MARK_SMALL
    assert small_mark.height_px == pytest.approx(10)
    for left, top in ((2, 400), (880, 400), (400, -30), (400, 818)):
        canvas, mark = scene(80, left=left, top=top)
        assert check(canvas, mark).flags & Flag.MARK_CUT_OFF, (left, top)
    for left, top in ((12, 12), (830, 800)):
        canvas, mark = scene(80, left=left, top=top)
        assert not check(canvas, mark).flags & Flag.MARK_CUT_OFF, (left, top)


def test_few_pixels() -> None:
    canvas, _ = scene()
    few = cv2.resize(canvas, (400, 300), interpolation=cv2.INTER_AREA)
    assert check(few).flags & Flag.SMALL_PICTURE
    assert not check(canvas).flags & Flag.SMALL_PICTURE


@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (1, 400), (300, 2), (17, 17)])
def test_tiny_pictures_are_flagged_and_never_fail(shape: tuple[int, int]) -> None:
    result = check_capture(photo(np.full((*shape, 3), 128, np.uint8)))
    assert result.flags & Flag.SMALL_PICTURE
    assert not result.good_enough
    assert all(np.isfinite(value) for value in result.measures.values())


def test_marks_outside_or_degenerate() -> None:
    canvas, mark = scene()
    outside = MarkBox(tuple(quad + np.array([5000, 0]) for quad in mark.quads))
    assert check(canvas, outside).flags & Flag.MARK_CUT_OFF
    point = MarkBox((np.full((4, 2), 100.0),))
    assert check(canvas, point).flags & Flag.MARK_SMALL
    for quads in ((), (np.zeros((3, 2)),), (np.full((4, 2), np.nan),)):
        with pytest.raises(ValueError, match="four finite points"):
            check(canvas, MarkBox(quads))


def test_check_changes_nothing_and_repeats_exactly() -> None:
    canvas, mark = scene()
    picture = photo(as_photo(canvas))
    before = picture.pixels.copy()
    first, second = check_capture(picture, mark=mark), check_capture(picture, mark=mark)
    assert first == second
    np.testing.assert_array_equal(picture.pixels, before)
