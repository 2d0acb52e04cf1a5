"""Burnt-out pixels and strands."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from legibility.photo.light import burnt, strands


def test_only_all_channels_at_the_top_are_burnt() -> None:
    pixels = np.array([[[255, 255, 250], [255, 255, 200], [249, 255, 255]]], np.uint8)
    np.testing.assert_array_equal(burnt(pixels), [[True, False, False]])


@pytest.mark.parametrize("level", [60, 230])
@pytest.mark.parametrize("angle_deg", [0, 10, 45, 80, 133])
def test_light_and_dark_hair_is_found_at_any_angle(level: int, angle_deg: float) -> None:
    gray = np.full((160, 160), 150, np.uint8)
    way = 60 * np.array([np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))])
    ends = [tuple(int(v) for v in np.rint(80 + sign * way)) for sign in (-1, 1)]
    cv2.line(gray, ends[0], ends[1], level, 2, cv2.LINE_AA)
    found = strands(gray)
    along = [np.rint(80 + t * way).astype(int) for t in np.linspace(-0.8, 0.8, 50)]
    assert np.mean([found[y, x] for x, y in along]) > 0.9
    assert found.mean() < 0.04


def test_dots_shading_and_noise_are_no_hair() -> None:
    ramp = np.tile(np.linspace(90, 200, 200), (200, 1))
    gray = (ramp + np.random.default_rng(2).normal(0, 4, ramp.shape)).astype(np.uint8)
    for y in range(20, 190, 22):
        for x in range(20, 190, 11):
            cv2.circle(gray, (x, y), 3, 60, -1)
    assert strands(gray).mean() < 0.01
