"""Characters at any angle and size, found by the spotter network on a pyramid of the photo."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, Spot
from legibility.networks import normalise, run_network

LONGEST_PX: Final = 1024
"""Choice: longest side the finest level is scaled to; smaller photos are taken as they are."""
LEVELS: Final = 4
"""Choice: levels, each half the last: characters of 10 to 640 px at the finest level."""
STRIDE: Final = 4
SIGMA_BLOCKS: Final = 4.0
"""As in training."""
UNIT_HEIGHT_PX: Final = 24.0
"""As in training: height that the size output is relative to."""
SCORE_FLOOR: Final = 0.15
"""Choice: fainter spots are not handed on."""
HEIGHT_RANGE_PX: Final = (8.0, 95.0)
"""As in training, a little wider: heights a level may find."""
MOST_SPOTS: Final = 60
"""Choice: strongest spots kept; a mark has at most 16."""
SIDE_MULTIPLE: Final = 32


@dataclass(frozen=True, slots=True)
class Pyramid:
    """What the spotter found level by level; the finest costs most and is looked at last."""

    coarse: tuple[Spot, ...]
    """Spots of all levels but the finest."""
    finest: ColorImage
    finest_scale: float
    """Pixels of the finest level per photo pixel."""
    shown: Callable[[ColorImage], ColorImage]
    """How the network is shown a level."""

    def all_spots(self) -> tuple[Spot, ...]:
        """Spots of every level, strongest first, in photo pixels."""
        return _without_doubles(
            [*self.coarse, *_level_spots(self.shown(self.finest), self.finest_scale)]
        )


def as_it_is(pixels: ColorImage) -> ColorImage:
    """The picture unchanged."""
    return pixels


def look_coarsely(
    pixels: ColorImage, *, shown: Callable[[ColorImage], ColorImage] = as_it_is
) -> Pyramid:
    """Characters of a photo on all levels but the finest.

    Parameters
    ----------
    pixels : (height, width, 3) uint8 RGB
    shown : what the network is shown of a level
    """
    scale = min(1.0, LONGEST_PX / max(pixels.shape[:2]))
    finest = _scaled(pixels, scale)
    found: list[Spot] = []
    picture, level_scale = finest, scale
    for _ in range(LEVELS - 1):
        if min(picture.shape[:2]) < 2 * SIDE_MULTIPLE:
            break
        picture = np.asarray(
            cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        )
        level_scale /= 2
        found += _level_spots(shown(picture), level_scale)
    return Pyramid(_without_doubles(found), finest, scale, shown)


def _scaled(pixels: ColorImage, scale: float) -> ColorImage:
    if scale >= 1.0:
        return pixels
    size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _level_spots(picture: ColorImage, scale: float) -> list[Spot]:
    height, width = picture.shape[:2]
    padded = cv2.copyMakeBorder(
        picture,
        0,
        -height % SIDE_MULTIPLE,
        0,
        -width % SIDE_MULTIPLE,
        cv2.BORDER_REPLICATE,
    )
    inputs = normalise(np.asarray(padded), sigma_blocks=SIGMA_BLOCKS)[None]
    (output,) = run_network("spotter", inputs, outputs=["spots"])
    return _decode(output[0], scale, height, width)


def _decode(output: NDArray[np.float32], scale: float, height: int, width: int) -> list[Spot]:
    """Local maxima of the objectness of one level."""
    score = 1 / (1 + np.exp(-output[0]))
    peak = (score >= SCORE_FLOOR) & (score == cv2.dilate(score, np.ones((3, 3), np.uint8)))
    spots = []
    for row, column in zip(*np.nonzero(peak), strict=True):
        dx, dy, cos2, sin2, size = output[1:6, row, column]
        height_px = UNIT_HEIGHT_PX * math.exp(float(np.clip(size, -2.0, 2.0)))
        x = (column + dx + 0.5) * STRIDE - 0.5
        y = (row + dy + 0.5) * STRIDE - 0.5
        inside = -2 <= x < width + 2 and -2 <= y < height + 2
        if not (HEIGHT_RANGE_PX[0] <= height_px <= HEIGHT_RANGE_PX[1] and inside):
            continue
        spots.append(
            Spot(
                x=float((x + 0.5) / scale - 0.5),
                y=float((y + 0.5) / scale - 0.5),
                height_px=height_px / scale,
                # The network's angles run clockwise, as y points down.
                angle_deg=-math.degrees(math.atan2(float(sin2), float(cos2))) / 2,
                axis_certainty=min(1.0, math.hypot(float(cos2), float(sin2))),
                score=float(score[row, column]),
            )
        )
    return spots


def _without_doubles(spots: list[Spot]) -> tuple[Spot, ...]:
    """Strongest spot of each place: others nearer than 0.45 heights are the same character."""
    kept: list[Spot] = []
    for spot in sorted(spots, key=lambda s: (-s.score, s.y, s.x)):
        if len(kept) >= MOST_SPOTS:
            break
        if all(
            math.hypot(spot.x - other.x, spot.y - other.y)
            > 0.45 * min(spot.height_px, other.height_px)
            or max(spot.height_px, other.height_px) > 2.2 * min(spot.height_px, other.height_px)
            for other in kept
        ):
            kept.append(spot)
    return tuple(kept)
