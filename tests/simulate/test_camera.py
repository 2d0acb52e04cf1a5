"""The camera against published values and plain statistics."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from legibility.simulate.camera import CameraSpec, develop, lens_and_motion, srgb

STILL = CameraSpec(
    defocus_px=0.0,
    motion_px=0.0,
    motion_angle_deg=0.0,
    exposure=0.2,
    white_balance=(1.0, 1.0, 1.0),
    shot_noise=0.0,
    read_noise=0.0,
    vignetting=0.0,
    contrast=0.0,
    saturation=1.0,
    sharpening=0.0,
    jpeg_quality=98,
)


def test_srgb_values() -> None:
    # IEC 61966-2-1: threshold 0.0031308 -> 0.04045; 12.92 x below it. Middle grey 0.2140 -> 0.5
    # is the inverse of the standard's formula at 0.5: ((0.5 + 0.055) / 1.055) ** 2.4 = 0.21404.
    values = np.array([0.0, 0.001, 0.0031308, 0.21404, 1.0, 3.0], dtype=np.float32)
    expected = [0.0, 0.01292, 0.04045, 0.5, 1.0, 1.0]
    np.testing.assert_allclose(srgb(values), expected, atol=2e-4)


def test_an_even_picture_is_exposed_as_asked() -> None:
    light = np.full((96, 128, 3), 7.0, dtype=np.float32)
    pixels, jpeg = develop(light, STILL, meter=7.0, rng=np.random.default_rng(1))
    # sRGB of 0.2 by IEC 61966-2-1: 1.055 * 0.2 ** (1 / 2.4) - 0.055 = 0.4845, times 255 = 123.5.
    assert abs(float(pixels.mean()) - 123.5) < 1.5
    assert jpeg[:2] == b"\xff\xd8"
    decoded = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    np.testing.assert_array_equal(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB), pixels)


def test_noise_has_the_stated_variance() -> None:
    light = np.full((200, 200, 3), 1.0, dtype=np.float32)
    noisy = replace(STILL, shot_noise=2e-3, jpeg_quality=100)
    pixels, _ = develop(light, noisy, meter=1.0, rng=np.random.default_rng(2))
    # Delta method: the deviation sqrt(0.002 * 0.2) = 0.02 times the slope of the sRGB curve at
    # 0.2, 1.055 / 2.4 * 0.2 ** (1 / 2.4 - 1) = 1.124, in steps of 1/255: 5.73 in each channel.
    # Three independent channels in the luma of ITU-R BT.601 (0.299, 0.587, 0.114; JPEG keeps it
    # at full size): times sqrt(0.299**2 + 0.587**2 + 0.114**2) = 0.669, that is 3.83.
    luma = pixels @ np.array([0.299, 0.587, 0.114])
    assert float(luma.std()) == pytest.approx(3.83, rel=0.1)


def test_blur_keeps_the_light_and_motion_goes_one_way() -> None:
    light = np.zeros((61, 61, 3), dtype=np.float32)
    light[30, 30] = 100.0
    soft = lens_and_motion(light, replace(STILL, defocus_px=2.0))
    assert float(soft.sum()) == pytest.approx(300.0, rel=1e-3)
    y, x = np.mgrid[:61, :61]
    variance = float((soft[:, :, 1] * (x - 30) ** 2).sum() / soft[:, :, 1].sum())
    assert variance == pytest.approx(4.0, rel=0.05)
    moved = lens_and_motion(light, replace(STILL, motion_px=12.0))
    across = float((moved[:, :, 1] * (x - 30) ** 2).sum() / 100.0)
    down = float((moved[:, :, 1] * (y - 30) ** 2).sum() / 100.0)
    # A uniform move of length L has variance L * L / 12 = 12.
    assert across == pytest.approx(12.0, rel=0.25)
    assert down < 0.5
