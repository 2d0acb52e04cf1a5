"""Cut a row out of the photo, upright at the reader's scale."""

from __future__ import annotations

import math
from typing import Final

import cv2
import numpy as np

from legibility.containers import ColorImage, Mask, RowStrip
from legibility.locate.rows import Row

STRIP_HEIGHT_PX: Final = 48
STRIP_WIDTH_PX: Final = 384
CHARACTER_PX: Final = 31.0
"""Height of a character in a strip; the reader was taught 23 to 39."""
END_MARGIN: Final = 2.2
"""Choice: heights of room beyond the outermost spots: one unseen character and its gap."""
ROOM_MULTIPLE_PX: Final = 32
"""Choice: the room of a row is a multiple of this, so that few different widths are read."""


def cut_strip(pixels: ColorImage, row: Row, *, not_seen: Mask | None = None) -> RowStrip:
    """Strip of a row, characters upright and unmirrored by the row's own vote.

    Parameters
    ----------
    pixels : (height, width, 3) uint8 RGB photo
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
    left, top = math.floor(map_x.min()) - 4, math.floor(map_y.min()) - 4
    right, bottom = math.ceil(map_x.max()) + 5, math.ceil(map_y.max()) + 5
    height, width = pixels.shape[:2]
    x0, x1 = int(np.clip(left, 0, width - 1)), int(np.clip(right, 1, width))
    y0, y1 = int(np.clip(top, 0, height - 1)), int(np.clip(bottom, 1, height))
    patch = pixels[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)]
    shrink = min(1.0, scale * 1.5)
    small = patch
    if shrink < 1.0:
        size = (max(1, round(patch.shape[1] * shrink)), max(1, round(patch.shape[0] * shrink)))
        small = cv2.resize(patch, size, interpolation=cv2.INTER_AREA)
    fx, fy = small.shape[1] / patch.shape[1], small.shape[0] / patch.shape[0]
    strip = cv2.remap(
        small,
        (map_x - x0 + 0.5) * fx - 0.5,
        (map_y - y0 + 0.5) * fy - 0.5,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    outside = (map_x < -0.5) | (map_y < -0.5) | (map_x > width - 0.5) | (map_y > height - 0.5)
    if not_seen is not None:
        mx = ((map_x + 0.5) * (not_seen.shape[1] / width) - 0.5).round().astype(int)
        my = ((map_y + 0.5) * (not_seen.shape[0] / height) - 0.5).round().astype(int)
        mx = np.clip(mx, 0, not_seen.shape[1] - 1)
        my = np.clip(my, 0, not_seen.shape[0] - 1)
        outside = outside | not_seen[my, mx]
    return RowStrip(
        pixels=np.asarray(strip, dtype=np.uint8),
        not_seen=outside,
        to_photo=to_photo,
        score=row.score,
        spots=row.spots,
        bend_per_px=row.bend_per_px / scale,
        room_px=min(STRIP_WIDTH_PX, math.ceil(need * scale / ROOM_MULTIPLE_PX) * ROOM_MULTIPLE_PX),
    )


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
