"""Conventions of angles, mirrors and scales."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.simulate.geometry import Pose, local_scale, mirror, project

FLAT = Pose(1000, 800, (500.0, 400.0), 10.0, 0.0, mirrored=False)


def test_a_flat_upright_pose_is_a_plain_scale() -> None:
    found = project(np.array([[0.0, 0.0], [3.0, 0.0], [0.0, 2.0]]), FLAT)
    np.testing.assert_allclose(found, [[500, 400], [530, 400], [500, 420]])


@pytest.mark.parametrize(
    ("angle", "up"), [(0, (0, -1)), (90, (-1, 0)), (180, (0, 1)), (-90, (1, 0))]
)
def test_rotation_is_counter_clockwise_from_up(angle: float, up: tuple[int, int]) -> None:
    # Counter-clockwise as seen: a mark turned by 90 degrees has its head on the left.
    pose = replace(FLAT, rotation_deg=angle)
    head = project(np.array([[0.0, -1.0]]), pose)[0] - pose.centre_px
    np.testing.assert_allclose(head, np.array(up) * 10.0, atol=1e-9)


@given(
    st.floats(-180, 180), st.floats(12, 500), st.floats(-90, 90), st.floats(-0.2, 0.2),
    st.floats(-0.2, 0.2),
)  # fmt: skip
def test_bend_and_perspective_leave_the_middle_in_place(
    angle: float, radius: float, axis: float, gx: float, gy: float
) -> None:
    pose = replace(
        FLAT, rotation_deg=angle, bend_radius_mm=radius, bend_axis_deg=axis, perspective=(gx, gy)
    )
    places = np.array([[0.0, 0.0], [3.0, -2.0]])
    np.testing.assert_allclose(project(places, pose)[0], pose.centre_px, atol=1e-9)
    assert local_scale(places, pose)[0] == pytest.approx(pose.px_per_mm, rel=1e-3)


def test_a_cylinder_shows_the_sine_of_its_angle() -> None:
    # A point at arc length R * 30 degrees is seen at R * sin 30 degrees = R / 2.
    pose = replace(FLAT, bend_radius_mm=20.0, bend_axis_deg=0.0)
    seen = project(np.array([[20.0 * math.radians(30.0), 0.0]]), pose)[0]
    np.testing.assert_allclose(seen, [500.0 + 100.0, 400.0])


def test_a_mirror_twice_is_no_mirror() -> None:
    points = np.array([[0.0, 5.0], [999.0, 7.0]])
    once = mirror(points, width_px=1000)
    np.testing.assert_array_equal(once, [[999.0, 5.0], [0.0, 7.0]])
    np.testing.assert_array_equal(mirror(once, width_px=1000), points)
