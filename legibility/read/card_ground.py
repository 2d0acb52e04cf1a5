"""Where a card may lie in a photo: even patches whose outline bulges outwards all round.

A card is smooth and of one colour, and a rectangle seen in perspective, so a convex patch with
straight edges. Gravel, grass, bricks and patterned tables are no such patches, and nor are the gaps
between things; an ear's outline is curved. Dots leave holes in a patch, which its hull fills.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage

LOOK_PX: Final = 480
"""Choice: longest side of the picture in which patches are looked for."""
SLOPES: Final = (0.5, 1.0, 2.0, 4.0)
"""Choice: CIELAB units a pixel by which shade, light and noise change at most on what is even."""
CLEAR_SLOPE: Final = 2.0
"""Choice: from this slope on what bounds a patch is an edge; shade in even light changes less."""
DOT_PX: Final = 15
"""Choice: what is narrower than this, at that size, are dots or print, and no gap in a patch."""
LEAST_SHARE: Final = 0.05
"""Choice: share of the picture that a card fills at least."""
LEAST_CONVEX: Final = 0.88
"""Choice: share of its hull that the outline of a patch encloses."""
SAME_PATCH: Final = 0.9
"""Choice: patches that share as much, intersection over union, are one."""
NEARLY_WHOLE: Final = 0.94
"""Choice: an even patch that fills so much of the picture stands for all of it."""
MOST_PATCHES: Final = 4
"""Choice: largest patches looked at."""
EDGE_SHARE: Final = 0.008
"""Choice: rim of a patch in which nothing counts as a dot, of the picture's longest side."""
OFF_LINE_PX: Final = 1.6
"""Choice: how far the outline may leave a straight line, at that size."""
LONG_EDGE: Final = 0.12
"""Choice: what counts as a straight edge, of the picture's longest side."""
SIDE_EDGE: Final = 0.25
"""Choice: length of an edge that may be a side of a card without a corner to show; off by no more
than ``OFF_LINE_PX``, it is as straight as a circle three times as wide as the picture."""
ALL_STRAIGHT: Final = 0.9
"""Choice: share of the outline that is straight where sides without corners are seen."""
SHORT_EDGE: Final = 0.05
"""Choice: edges that meet at a corner are this long at least, of the picture's longest side."""
SQUARE_DEG: Final = 35.0
"""Choice: a right angle seen in perspective differs from 90 degrees by no more."""


@dataclass(frozen=True, slots=True)
class Patch:
    """An even patch."""

    inside: NDArray[np.bool_]
    """(height, width), without its rim."""
    corners: int
    """Corners within the picture at which two edges meet at about a right angle; one where two
    straight sides run out of the picture."""
    side: float
    """Longest straight and clear edge within the picture, of the picture's longest side."""
    even: bool = True
    """False: the whole picture, whatever it shows."""

    @property
    def edged(self) -> bool:
        """Whether a part of its outline may be the edge of a card."""
        return self.corners > 0 or self.side >= SIDE_EDGE


@dataclass(frozen=True, slots=True)
class _Found:
    """A patch at the size at which patches are looked for."""

    area: int
    hull: NDArray[np.int32]
    mask: NDArray[np.bool_]
    corners: int
    side: float


def even_patches(pixels: ColorImage) -> list[Patch]:
    """Patches on which a mark may stand, largest first; last the whole picture unless it is one.

    Parameters
    ----------
    pixels : (height, width, 3) uint8 RGB
    """
    scale = min(1.0, LOOK_PX / max(pixels.shape[:2]))
    size = (max(round(pixels.shape[1] * scale), 1), max(round(pixels.shape[0] * scale), 1))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(small.astype(np.float32) / np.float32(255), cv2.COLOR_RGB2LAB)
    lab = cv2.GaussianBlur(lab, (0, 0), 1.0)
    across, down = (cv2.Sobel(lab, cv2.CV_32F, *way) / 8 for way in ((1, 0), (0, 1)))
    slope = np.sqrt((across**2 + down**2).sum(axis=2))
    found: list[_Found] = []
    for limit in SLOPES:
        for hull in _hulls(slope < limit):
            mask = np.zeros(slope.shape, np.uint8)
            cv2.fillConvexPoly(mask, hull, 1)
            corners, side = _edges(hull, slope.shape)
            side = side if limit >= CLEAR_SLOPE else 0.0
            found.append(_Found(int(mask.sum()), hull, mask > 0, corners, side))
    # Of patches that are one, the one with most corners, then with an edge, then the tightest.
    found.sort(key=lambda one: (-one.corners, one.side < SIDE_EDGE, one.area))
    kept: list[_Found] = []
    for one in found:
        if all((one.mask & k.mask).sum() < SAME_PATCH * (one.mask | k.mask).sum() for k in kept):
            kept.append(one)
    kept.sort(key=lambda one: -one.area)
    shape = (pixels.shape[0], pixels.shape[1])
    out = [
        Patch(_without_rim(one.hull, scale, shape), one.corners, one.side)
        for one in kept[:MOST_PATCHES]
    ]
    if out and out[0].inside.mean() >= NEARLY_WHOLE:
        return out
    return [*out, Patch(np.ones(shape, dtype=np.bool_), 0, 0.0, even=False)]


def _hulls(even: NDArray[np.bool_]) -> list[NDArray[np.int32]]:
    """Hulls of the large convex components."""
    plain = cv2.morphologyEx(even.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(plain, connectivity=4)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (DOT_PX, DOT_PX))
    out = []
    for k in range(1, len(stats)):
        if stats[k, cv2.CC_STAT_WIDTH] * stats[k, cv2.CC_STAT_HEIGHT] < LEAST_SHARE * even.size:
            continue
        part = np.pad((labels == k).astype(np.uint8), DOT_PX)
        closed = cv2.morphologyEx(part, cv2.MORPH_CLOSE, kernel)[DOT_PX:-DOT_PX, DOT_PX:-DOT_PX]
        lines, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        line = max(lines, key=cv2.contourArea)
        hull = cv2.convexHull(line)
        area = cv2.contourArea(hull)
        # What its outline encloses is filled: a mark may take much of a card.
        if area >= LEAST_SHARE * even.size and cv2.contourArea(line) >= LEAST_CONVEX * area:
            out.append(np.asarray(hull.reshape(-1, 2), dtype=np.int32))
    return out


def _edges(hull: NDArray[np.int32], shape: tuple[int, ...]) -> tuple[int, float]:
    """Right corners of the hull within the picture, and its longest straight edge there."""
    corners = cv2.approxPolyDP(hull.reshape(-1, 1, 2), OFF_LINE_PX, True).reshape(-1, 2)
    along = np.roll(corners, -1, axis=0) - corners
    last = np.array([shape[1] - 1, shape[0] - 1])
    # An edge along the picture's own edge says nothing.
    ends = np.roll(corners, -1, axis=0)
    rim = ((corners <= 3) & (ends <= 3)) | ((corners >= last - 3) & (ends >= last - 3))
    lengths = np.hypot(*along.T)
    within = ~rim.any(axis=1)
    if not within.any():
        return 0, 0.0
    side = max(shape)
    longest = float(lengths[within].max()) / side
    long = within & (lengths >= LONG_EDGE * side)
    # The opening rounds corners: what is short between two edges is no edge of its own.
    edges = np.flatnonzero(lengths >= SHORT_EDGE * side)
    after = np.roll(edges, -1)
    angles = np.degrees(np.arctan2(along[:, 1], along[:, 0]))
    bends = np.abs((angles[after] - angles[edges] + 180.0) % 360.0 - 180.0)
    apart = np.hypot(*(corners[after] - ends[edges]).T)
    square = (np.abs(bends - 90.0) <= SQUARE_DEG) & (apart < SHORT_EDGE * side)
    square &= within[edges] & within[after]
    if square.any():
        return int(square.sum()), longest
    straight = lengths[long].sum() >= ALL_STRAIGHT * lengths[within].sum()
    pair = straight and (long & (lengths >= SIDE_EDGE * side)).sum() >= 2
    return int(pair), longest


def _without_rim(
    hull: NDArray[np.int32], scale: float, shape: tuple[int, int]
) -> NDArray[np.bool_]:
    """The hull in the picture's own pixels, without its rim; the picture's edge is no rim."""
    rim = round(EDGE_SHARE * max(shape)) + 1
    mask = np.zeros((shape[0] + 2 * rim, shape[1] + 2 * rim), np.uint8)
    corners = np.round((hull + 0.5) / scale - 0.5).astype(np.int32)
    cv2.fillConvexPoly(mask, corners + rim, 1)
    inner = mask[rim:-rim, rim:-rim]
    # What ends within a rim of the picture's edge goes on beyond it.
    beyond = cv2.copyMakeBorder(inner, rim, rim, rim, rim, cv2.BORDER_REPLICATE)
    kernel = cv2.getStructuringElement(cv2.MORPH_RECT, (2 * rim + 1, 2 * rim + 1))
    return np.asarray(cv2.erode(beyond, kernel)[rim:-rim, rim:-rim] > 0, dtype=np.bool_)
