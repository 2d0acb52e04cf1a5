"""Cut a row out of the photo, upright at the reader's scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, Mask, RowStrip
from legibility.locate.rows import Row

STRIP_HEIGHT_PX: Final = 48
STRIP_WIDTH_PX: Final = 384
CHARACTER_PX: Final = 31.0
"""Height of a character in a strip; the reader was taught 23 to 39."""
END_MARGIN: Final = 2.2
"""Choice: heights of room beyond the outermost spots: one unseen character and its gap."""
SHARPER: Final = 1.5
"""Choice: a strip is taken from the photo at so many times its own scale."""
ROOM_MULTIPLE_PX: Final = 32
"""Choice: the room of a row is a multiple of this, so that few different widths are read."""


def halved(pixels: ColorImage) -> tuple[ColorImage, ...]:
    """The photo (height, width, 3) uint8, and copies of it, each half as large as the last.

    Pixel (x, y) of copy k lies at ((x + 0.5) * 2**k - 0.5, (y + 0.5) * 2**k - 0.5) of the photo,
    also where a side is odd.
    """
    levels = [pixels]
    while min(levels[-1].shape[:2]) >= 2 * STRIP_HEIGHT_PX:
        smaller = cv2.resize(levels[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        levels.append(np.asarray(smaller))
    return tuple(levels)


def cut_strip(levels: Sequence[ColorImage], row: Row, *, not_seen: Mask | None = None) -> RowStrip:
    """Strip of a row, characters upright and unmirrored by the row's own vote.

    Parameters
    ----------
    levels : (height, width, 3) uint8 RGB photo, and its smaller copies (``halved``) if there are
    not_seen : mask over the photo, any scale; True under glare or hair
    """
    need = row.length_px + 2 * END_MARGIN * row.height_px
    scale = min(CHARACTER_PX / row.height_px, STRIP_WIDTH_PX / need)
    to_photo = _strip_to_photo(row, scale)
    ys, xs = np.mgrid[0:STRIP_HEIGHT_PX, 0:STRIP_WIDTH_PX].astype(np.float32)
    # The strip follows the bend of the row: its straight lines are parabolas in the photo.
    from_middle = xs - (STRIP_WIDTH_PX - 1) / 2
    straight = ys - np.float32(row.bend_per_px / scale) * from_middle**2
    map_x = (to_photo[0, 0] * xs + to_photo[0, 1] * straight + to_photo[0, 2]).astype(np.float32)
    map_y = (to_photo[1, 0] * xs + to_photo[1, 1] * straight + to_photo[1, 2]).astype(np.float32)
    height, width = levels[0].shape[:2]
    outside = (map_x < -0.5) | (map_y < -0.5) | (map_x > width - 0.5) | (map_y > height - 0.5)
    if not_seen is not None:
        mx = _scaled(map_x, not_seen.shape[1] / width)
        my = _scaled(map_y, not_seen.shape[0] / height)
        mx = np.clip(mx.round().astype(int), 0, not_seen.shape[1] - 1)
        my = np.clip(my.round().astype(int), 0, not_seen.shape[0] - 1)
        outside = outside | not_seen[my, mx]
    room = min(STRIP_WIDTH_PX, math.ceil(need * scale / ROOM_MULTIPLE_PX) * ROOM_MULTIPLE_PX)
    edge = (STRIP_WIDTH_PX - room) // 2
    outside[:, :edge] = outside[:, STRIP_WIDTH_PX - edge :] = True
    return RowStrip(
        pixels=_sampled(levels, map_x, map_y, scale=min(1.0, SHARPER * scale)),
        not_seen=outside,
        to_photo=to_photo,
        score=row.score,
        spots=row.spots,
        bend_per_px=row.bend_per_px / scale,
        room_px=room,
    )


def _sampled(
    levels: Sequence[ColorImage],
    map_x: NDArray[np.float32],
    map_y: NDArray[np.float32],
    *,
    scale: float,
) -> ColorImage:
    """The photo at points of it, seen at a scale of at most 1 so that fine detail is averaged."""
    halvings = min(len(levels) - 1, int(-math.log2(scale)))
    level = levels[halvings]
    rows, columns = level.shape[:2]
    map_x, map_y = _scaled(map_x, 0.5**halvings), _scaled(map_y, 0.5**halvings)
    left, top = math.floor(map_x.min()) - 4, math.floor(map_y.min()) - 4
    right, bottom = math.ceil(map_x.max()) + 5, math.ceil(map_y.max()) + 5
    x0, x1 = int(np.clip(left, 0, columns - 1)), int(np.clip(right, 1, columns))
    y0, y1 = int(np.clip(top, 0, rows - 1)), int(np.clip(bottom, 1, rows))
    small = patch = level[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)]
    shrink = scale * 2**halvings
    if shrink < 1.0:
        size = (max(1, round(patch.shape[1] * shrink)), max(1, round(patch.shape[0] * shrink)))
        small = np.asarray(cv2.resize(patch, size, interpolation=cv2.INTER_AREA))
    return np.asarray(
        cv2.remap(
            small,
            _scaled(map_x - x0, small.shape[1] / patch.shape[1]),
            _scaled(map_y - y0, small.shape[0] / patch.shape[0]),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        dtype=np.uint8,
    )


def _scaled(places: NDArray[np.float32], scale: float) -> NDArray[np.float32]:
    """Places along a side, in a copy of the picture at a scale."""
    return (places + np.float32(0.5)) * np.float32(scale) - np.float32(0.5)


def _strip_to_photo(row: Row, scale: float) -> np.ndarray:
    """(3, 3) similarity, strip (x, y, 1) -> photo (x, y, 1), before the bend."""
    angle = math.radians(row.angle_deg)
    up = np.array([-math.sin(angle), -math.cos(angle)])
    right = np.array([-up[1], up[0]]) * (-1.0 if row.mirrored else 1.0)
    matrix = np.eye(3)
    matrix[:2, 0] = right / scale
    matrix[:2, 1] = -up / scale
    middle = np.array([(STRIP_WIDTH_PX - 1) / 2, (STRIP_HEIGHT_PX - 1) / 2])
    matrix[:2, 2] = np.array([row.x, row.y]) - matrix[:2, :2] @ middle
    return matrix
