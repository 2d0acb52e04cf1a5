"""Random fields have the deviation and size they are asked for."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from legibility.simulate.texture import (
    blur,
    fractal_noise,
    smooth_noise,
    soft_step,
    stretched_noise,
    three_channels,
)

SHAPE = (600, 800)


@pytest.mark.parametrize("scale", [1.0, 1.6, 3.3, 12.0, 40.0])
def test_smooth_noise_has_unit_deviation_and_the_asked_size(scale: float) -> None:
    field = smooth_noise(np.random.default_rng(1), SHAPE, scale_px=scale)
    assert field.shape == SHAPE
    assert field.dtype == np.float32
    assert float(field.std()) == pytest.approx(1.0, abs=0.15)
    near = float(np.mean(field[:, :-1] * field[:, 1:]))
    far_px = round(3 * scale) + 1
    far = float(np.mean(field[:, :-far_px] * field[:, far_px:]))
    assert abs(far) < 0.15
    if scale > 3:
        assert near > 0.7


def test_fractal_noise_has_unit_deviation() -> None:
    for scale in (4.0, 20.0, 60.0):
        field = fractal_noise(np.random.default_rng(2), SHAPE, scale_px=scale, octaves=4)
        assert field.shape == SHAPE
        assert float(field.std()) == pytest.approx(1.0, abs=0.3)


def test_stretched_noise_is_long_in_the_asked_direction() -> None:
    level = stretched_noise(
        np.random.default_rng(3), SHAPE, along_px=40, across_px=4, angle_deg=0.0
    )
    along = float(np.mean(level[:, :-10] * level[:, 10:]))
    across = float(np.mean(level[:-10] * level[10:]))
    assert along > 0.6
    assert abs(across) < 0.1
    # Counter-clockwise: 45 degrees rises to the right, rows count downwards.
    rising = stretched_noise(
        np.random.default_rng(3), SHAPE, along_px=40, across_px=4, angle_deg=45.0
    )
    with_it = float(np.mean(rising[10:, :-10] * rising[:-10, 10:]))
    against = float(np.mean(rising[:-10, :-10] * rising[10:, 10:]))
    assert with_it > 0.5 > 0.2 > against


def test_the_fast_blur_agrees_with_the_plain_one() -> None:
    field = np.random.default_rng(4).random((300, 300), dtype=np.float32)
    smooth = cv2.GaussianBlur(field, (0, 0), 4.0)
    plain = cv2.GaussianBlur(smooth, (0, 0), 12.0)
    inner = slice(40, -40)
    difference = blur(smooth, sigma_px=12.0)[inner, inner] - plain[inner, inner]
    assert float(np.abs(difference).max()) < 0.01
    np.testing.assert_allclose(blur(field, sigma_px=2.0), cv2.GaussianBlur(field, (0, 0), 2.0))


def test_small_pieces() -> None:
    field = np.array([[-1.0, 0.0, 1.0]], dtype=np.float32)
    np.testing.assert_allclose(soft_step(field, threshold=0.0, width=1.0), [[0.0, 0.5, 1.0]])
    assert three_channels(field).shape == (1, 3, 3)
