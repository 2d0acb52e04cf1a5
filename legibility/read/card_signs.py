"""What tells the paper of a card from skin: nothing between its dots.

Paper between dots is empty. Skin has hair, veins, folds, pores and dirt. Colour is no sign:
cardboard under a warm lamp is as brown as an ear, and cards come in all colours. All is measured at
the size of the dots, so that neither resolution nor noise of pixels matters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, GrayImage, Points

RADIUS_PX: Final = 4.0
"""Choice: radius of a dot at the size at which the ground is looked at."""
AROUND_RADII: Final = 8.0
"""Choice: ground that is looked at, beyond the outermost dots, on a patch with edges of a card."""
FAR_RADII: Final = 100.0
"""Choice: the same where no edge is seen: all of the picture must then be card."""
OFF_DOTS_RADII: Final = 2.4
"""Choice: nearer to a dot nothing is ground."""
MOST_PX: Final = 1600
"""Choice: longest side of what is looked at; where dots are few pixels on a large ground, they are
smaller then."""
LEAST_GROUND: Final = 200
"""Choice: pixels needed to judge it."""
NEARLY_ALL: Final = 0.98
"""Choice: share of the ground that is no farther off than what is reported."""


@dataclass(frozen=True, slots=True)
class Ground:
    """What is seen between and around the dots, in shares of their contrast."""

    spots: float
    """Structure as wide as dots: hair, veins, print, dots that were missed."""
    shade: float
    """Structure of any width but a smooth change of light: folds, veins, dirt."""

    @property
    def clutter(self) -> float:
        """Both in one, as a share of the dots' contrast: light falls on paper unevenly, too, so
        spots count double."""
        return float((self.spots**2 * self.shade) ** (1 / 3))


NO_GROUND: Final = Ground(math.inf, math.inf)


def ground_of(
    pixels: ColorImage,
    centres: Points,
    radii_px: NDArray[np.float64],
    inside: NDArray[np.bool_],
    *,
    around_radii: float = AROUND_RADII,
) -> Ground:
    """The ground of a group of dots.

    Parameters
    ----------
    pixels : (height, width, 3) uint8 RGB
    centres : (n, 2)
    radii_px : (n,)
    inside : (height, width) bool
        Where the card may be.
    around_radii : float
        Ground that is looked at, beyond the outermost dots.
    """
    radius = float(np.median(radii_px))
    reach = (around_radii + 4.0) * radius
    span = float(np.ptp(centres, axis=0).max()) + 2 * reach
    scale = min(RADIUS_PX / radius, MOST_PX / span)
    radius *= scale
    first = np.maximum(centres.min(axis=0) - reach, 0).astype(int)
    last = (centres.max(axis=0) + reach).astype(int) + 1
    part = (slice(first[1], last[1]), slice(first[0], last[0]))
    way = cv2.INTER_AREA if scale < 1.0 else cv2.INTER_CUBIC
    seen = cv2.resize(pixels[part], None, fx=scale, fy=scale, interpolation=way)
    size = (seen.shape[1], seen.shape[0])
    on = cv2.resize(inside[part].astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    points = (centres - first) * scale
    ground = _around(points, radii_px * scale, around_radii * radius, seen.shape[:2]) & (on > 0)
    if ground.sum() < LEAST_GROUND:
        return NO_GROUND
    lab = cv2.cvtColor(seen.astype(np.float32) / np.float32(255), cv2.COLOR_RGB2LAB)
    x, y = np.clip(np.round(points).astype(int), 0, np.array(size) - 1).T
    contrast = float(np.median(np.abs(lab[y, x, 0] - np.median(lab[ground, 0]))))
    contrast = max(contrast, 1.0)
    light = _spread(lab[..., 0], ground, radius / 2)
    wide = _spread(lab[..., 0], ground, 2 * radius)
    place = np.argwhere(ground) / float(max(seen.shape))
    return Ground(
        spots=float(np.quantile(np.abs(light - wide)[ground], NEARLY_ALL)) / contrast,
        shade=float(np.quantile(np.abs(_rest(light[ground], place)), NEARLY_ALL)) / contrast,
    )


def _around(
    points: Points, radii: NDArray[np.float64], reach_px: float, shape: tuple[int, ...]
) -> NDArray[np.bool_]:
    """Where there is ground and no dot."""
    hull = np.zeros(shape, np.uint8)
    cv2.fillConvexPoly(hull, cv2.convexHull(np.round(points).astype(np.int32)), 1)
    away = cv2.distanceTransform(1 - hull, cv2.DIST_L2, 3)
    hull = (away <= reach_px).astype(np.uint8)
    usual = float(np.median(radii))
    for (x, y), radius in zip(points, radii, strict=True):
        own = math.ceil(OFF_DOTS_RADII * max(radius, usual))
        cv2.circle(hull, (round(x), round(y)), own, 0, -1)
    return np.asarray(hull > 0, dtype=np.bool_)


def _spread(values: GrayImage, ground: NDArray[np.bool_], sigma: float) -> GrayImage:
    """Blur of the ground alone."""
    weight = ground.astype(np.float32)
    total = np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), np.float32(1e-3))
    return np.asarray(cv2.GaussianBlur(values * weight, (0, 0), sigma) / total, dtype=np.float32)


def _rest(values: NDArray[np.float32], place: NDArray[np.float64]) -> NDArray[np.float64]:
    """What a smooth change over the picture does not explain."""
    y, x = place.T
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    fit, *_ = np.linalg.lstsq(terms, values.astype(np.float64), rcond=None)
    return np.asarray(values - terms @ fit, dtype=np.float64)
