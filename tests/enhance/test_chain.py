import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from legibility.containers import Photo
from legibility.enhance import STEPS, enhance, step_pictures
from legibility.enhance.chain import at_working_scale, darkness
from legibility.errors import SettingsError
from legibility.settings import Settings
from tests.enhance.drawings import draw


def photo_of(pixels):
    return Photo("drawn.png", "0" * 64, pixels)


@pytest.fixture(scope="module")
def drawing():
    return draw(seed=11, hairs=4, highlights=2)


def check_form(enhanced, pixels):
    height, width = enhanced.pixels.shape[:2]
    for picture in (enhanced.pixels, enhanced.flat):
        assert (picture.shape, picture.dtype) == ((height, width, 3), np.uint8)
    for mask in (enhanced.glare, enhanced.hair):
        assert (mask.shape, mask.dtype) == ((height, width), np.bool_)
    assert (enhanced.ink.shape, enhanced.ink.dtype) == ((height, width), np.float32)
    assert np.isfinite(enhanced.ink).all()
    assert 0 <= enhanced.ink.min() <= enhanced.ink.max() <= 1
    assert 0 < enhanced.scale <= 1
    assert max(height, width) <= max(pixels.shape[:2])


@pytest.mark.parametrize("shape", [(1, 1), (1, 9), (9, 1), (2, 3), (5, 5), (17, 400), (64, 64)])
@pytest.mark.parametrize("level", [0, 1, 128, 254, 255])
def test_even_pictures_of_any_size_hold_no_ink(shape, level):
    pixels = np.full((*shape, 3), level, np.uint8)
    enhanced = enhance(photo_of(pixels))
    check_form(enhanced, pixels)
    assert not enhanced.ink.any()
    assert not enhanced.glare.any()
    assert not enhanced.hair.any()


@settings(max_examples=25, deadline=None)
@given(
    height=st.integers(1, 60),
    width=st.integers(1, 60),
    seed=st.integers(0, 2**16),
    binary=st.booleans(),
)
def test_any_picture_gives_finite_results_and_is_not_modified(height, width, seed, binary):
    rng = np.random.default_rng(seed)
    pixels = rng.integers(0, 256, (height, width, 3), dtype=np.uint8)
    if binary:
        pixels = np.where(pixels > 127, 255, 0).astype(np.uint8)
    before = pixels.copy()
    enhanced = enhance(photo_of(pixels))
    check_form(enhanced, pixels)
    assert np.array_equal(pixels, before)
    for picture in step_pictures(enhanced).values():
        assert (picture.shape, picture.dtype) == ((height, width, 3), np.uint8)


def test_the_working_scale(drawing):
    enhanced = enhance(photo_of(drawing.pixels), working_px=300)
    assert enhanced.pixels.shape == (225, 300, 3)
    assert enhanced.scale == pytest.approx(0.5)
    assert enhance(photo_of(drawing.pixels)).scale == 1.0
    small = enhance(photo_of(drawing.pixels), settings=Settings(working_side_px=200))
    assert max(small.pixels.shape) == 200


def test_areas_are_averaged():
    # By hand: one black pixel in a block of 2 x 2 white ones leaves three quarters of the light.
    pixels = np.full((4, 4, 3), 255, np.uint8)
    pixels[0, 0] = 0
    small, scale = at_working_scale(pixels, working_px=2)
    assert scale == 0.5
    assert small[0, 0, 0] in (191, 192)
    assert small[1, 1, 0] == 255


def test_each_step_can_be_left_out(drawing):
    photo = photo_of(drawing.pixels)
    everything, nothing = enhance(photo), enhance(photo, without=set(STEPS))
    assert list(STEPS) == ["illumination", "glare", "hair", "ink", "contrast"]
    assert np.array_equal(nothing.flat, drawing.pixels)
    assert not nothing.glare.any()
    assert not nothing.hair.any()
    assert np.array_equal(nothing.ink, darkness(drawing.pixels))
    assert not enhance(photo, without={"hair"}).hair.any()
    assert everything.hair.any()
    assert everything.glare.any()
    for step in ("illumination", "contrast"):
        assert not np.array_equal(enhance(photo, without={step}).flat, everything.flat)


def test_masked_pixels_show_no_ink(drawing):
    enhanced = enhance(photo_of(drawing.pixels))
    assert not enhanced.ink[enhanced.glare | enhanced.hair].any()


def test_results_repeat(drawing):
    first, second = (enhance(photo_of(drawing.pixels)) for _ in range(2))
    assert np.array_equal(first.ink, second.ink)
    assert np.array_equal(first.hair, second.hair)


def test_unknown_steps_and_sizes_are_refused(drawing):
    with pytest.raises(SettingsError, match=r"unknown step 'polish'.*illumination"):
        enhance(photo_of(drawing.pixels), without={"polish"})
    with pytest.raises(SettingsError, match="working_px is 0"):
        enhance(photo_of(drawing.pixels), working_px=0)
