"""Where the ear lies in the picture: from millimetres on the ear to photo pixels.

Millimetres on the ear are measured from the middle of the mark, x along the row in reading
direction, y towards the foot of the characters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Points

_MAX_BEND_RAD = 1.35
"""Choice: beyond this angle the ear's surface turns away from the camera."""


@dataclass(frozen=True, slots=True)
class Pose:
    """How the ear is held in front of the camera."""

    width_px: int
    height_px: int
    centre_px: tuple[float, float]
    """Where the middle of the mark falls, before mirroring."""
    px_per_mm: float
    rotation_deg: float
    """Counter-clockwise angle from the picture's up to the mark's up, before mirroring."""
    mirrored: bool
    """The finished picture is flipped left to right (seen from behind)."""
    perspective: tuple[float, float] = (0.0, 0.0)
    """Change of magnification over half the picture's width, along x and y; -0.3..0.3."""
    bend_radius_mm: float = math.inf
    """Radius of the cylinder the ear is rolled to."""
    bend_axis_deg: float = 90.0
    """Direction across the roll, counter-clockwise from the row's direction."""

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width)."""
        return self.height_px, self.width_px


def project(points_mm: NDArray[np.floating], pose: Pose) -> Points:
    """Photo pixels, before mirroring, of points on the ear.

    Parameters
    ----------
    points_mm : (n, 2) float
    pose : Pose

    Returns
    -------
    (n, 2) float64
    """
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    if math.isfinite(pose.bend_radius_mm):
        axis = np.array(
            [
                math.cos(math.radians(pose.bend_axis_deg)),
                -math.sin(math.radians(pose.bend_axis_deg)),
            ]
        )
        along = points @ axis
        angle = np.clip(along / pose.bend_radius_mm, -_MAX_BEND_RAD, _MAX_BEND_RAD)
        rest = along - angle * pose.bend_radius_mm
        moved = pose.bend_radius_mm * np.sin(angle) + 0.3 * rest
        points = points + np.outer(moved - along, axis)
    cosine = math.cos(math.radians(pose.rotation_deg))
    sine = math.sin(math.radians(pose.rotation_deg))
    turned = points @ np.array([[cosine, -sine], [sine, cosine]]) * pose.px_per_mm
    half = pose.width_px / 2.0
    depth = 1.0 + turned @ (np.asarray(pose.perspective) / half)
    depth = np.maximum(depth, 0.25)
    return np.asarray(turned / depth[:, None] + np.asarray(pose.centre_px), dtype=np.float64)


def local_scale(points_mm: NDArray[np.floating], pose: Pose) -> NDArray[np.float64]:
    """Pixels per millimetre around each point: root of the area magnification, (n,) float64."""
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    step = 0.05
    east, south = np.array([step, 0.0]), np.array([0.0, step])
    right = project(points + east, pose) - project(points - east, pose)
    down = project(points + south, pose) - project(points - south, pose)
    area = np.abs(right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0]) / (2 * step) ** 2
    return np.asarray(np.sqrt(area), dtype=np.float64)


def mirror(points_px: Points, *, width_px: int) -> Points:
    """Points of a picture that is flipped left to right."""
    flipped = np.array(points_px, dtype=np.float64, copy=True)
    flipped[..., 0] = width_px - 1 - flipped[..., 0]
    return flipped
