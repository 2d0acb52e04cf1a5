"""Is a photo good enough to show what the ear shows?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import CaptureCheck, ColorImage, Flag, GrayImage, Mask, Photo, Points
from legibility.photo.flags import PREVENTS_READING
from legibility.photo.focus import (
    directional_detail,
    edge_sigma,
    noise_sigma,
    variance_of_laplacian,
)
from legibility.photo.light import burnt, strands
from legibility.photo.where import guess_window, halve, halvings

CHARACTER_HEIGHT_PX: Final = 64
"""Choice: a mark is measured at this character height, or as found when it is smaller."""
WORKING_SIDE_PX: Final = 1600
"""Choice: without a mark, longer side of the copy that is measured (at most)."""
ASSUMED_HEIGHT_SHARE: Final = 0.05
"""Choice: without a mark, a character's height against the picture's longer side."""
MAX_BLUR_SHARE: Final = 0.09
"""Choice between two bounds, for a die of 7 needles to the height h (pitch h / 6): two Gaussian
dots merge when sigma reaches half of their distance (Sparrow 1916, doi:10.1086/142271), so dots
merge at h / 12 = 0.083 h, and strokes two pitches apart at h / 6 = 0.17 h. Drawn dot marks 24 to
300 px high and blurred by 0 / 0.06 / 0.083 / 0.1 / 0.13 / 0.17 / 0.25 h measure 0 / 0.04 / 0.06 /
0.07 / 0.09 to 0.10 / 0.10 to 0.13 / 0.16 to 0.20, so the limit lies at a true blur of h / 8.
Without a mark, 24 sharp photographs (scikit-image, opencv-doc) measure 0.00 to 0.06; opencv-doc's
text_defocus 0.20 and licenseplate_motion 0.14."""
MOTION_ANISOTROPY: Final = 1.6
"""Measured without a mark: sharp photographs 1.03 to 1.42; those above (print, 3.1 to 3.3; fur of a
baboon, 2.5) have much detail in every direction and pass by ``MOTION_DETAIL``. opencv-doc's
text_motion 2.0, but licenseplate_motion 1.46, which is caught as blurred only. Photographs moved by
2 % of their longer side 1.2 to 2.7, median 1.5: less than half of such movement is caught."""
MOTION_ANISOTROPY_OF_MARK: Final = 1.85
"""Measured on drawn dot marks: still or evenly blurred 1.0 to 1.4; a mark of nothing but I or 1,
so soft that ``MOTION_DETAIL`` does not clear it, 1.82. Moved by 0.4 to 0.8 of their height 1.5 to
4, the more the smaller the mark, and aslant 1.7 to 3.5. A photo that need not have been taken
again costs more than a weak reading, so the limit is above what stands still, and misses about
half of the movement of marks above 64 px."""
MOTION_DETAIL: Final = 2.8
"""Measured: where movement has taken detail away, the weakest direction keeps 1.0 to 2.7; wrinkled
skin, which is uneven without movement, 2.9, and hair, print and fur 3.4 to 6."""
DARK_LEVEL: Final = 60.0
"""Choice: too dark when 95 % of the part looked at is below this grey level of 255."""
BURNT_SHARE: Final = 0.5
"""Choice: too bright when this share of the part looked at is burnt out."""
GLARE_SHARE: Final = 0.05
"""Choice: about half a character of an eight-character mark."""
HAIR_SHARE: Final = 0.22
"""Choice: share of the part looked at that is covered by strands. Measured on drawn marks without
hair 0.00 to 0.22, at 16 px 0.25 (sharp rows of small dots look like strands), with 20 / 60 / 150
hairs across a picture of 1200 px 0.10 to 0.20 / 0.35 to 0.44 / 0.58 to 0.82."""
FLAT_LEVELS: Final = 15.0
"""Choice: least grey levels between the darkest and the lightest half percent of the picture;
evenly lit skin with a small mark measures 23."""
MIN_HEIGHT_PX: Final = 12.0
"""Two pixels to a needle pitch (sampling theorem) of 1/6 of the height."""
EDGE_MARGIN: Final = 0.1
"""Choice: a character nearer to the picture's edge than this share of its height is cut off."""
SMALL_MEGAPIXELS: Final = 0.3
"""Plan: the tool is made for photos of 0.3 to 50 megapixels."""


@dataclass(frozen=True, slots=True)
class MarkBox:
    """Where the characters of a mark are."""

    quads: tuple[Points, ...]
    """One or more (4, 2) in photo pixels: top left, top right, bottom right, bottom left of each
    upright character."""

    @property
    def height_px(self) -> float:
        """Median height of the characters, > 0 unless all are degenerate."""
        sides = [
            (np.linalg.norm(quad[3] - quad[0]) + np.linalg.norm(quad[2] - quad[1])) / 2
            for quad in self.quads
        ]
        return float(np.median(sides))


@dataclass(frozen=True, slots=True)
class _View:
    """The part of a photo that is measured."""

    pixels: ColorImage
    inside: Mask
    scale: float
    """View pixels per photo pixel."""
    height_px: float
    """Height of a character in the view, found or assumed."""
    shows_mark: bool
    """Whether the height was found."""


def check_capture(photo: Photo, *, mark: MarkBox | None = None) -> CaptureCheck:
    """Judge sharpness, light and framing of a photo, over its mark when that is known.

    Parameters
    ----------
    photo
        The photo.
    mark
        Where the mark is; without it a window with much dot texture near the middle is judged,
        and the height of the characters is assumed, so that the limits are milder for large and
        stricter for small marks than they should be.

    Returns
    -------
    CaptureCheck
        Flags, and the measures ``megapixels``, ``blur_px`` (Gaussian sigma of the edges in photo
        pixels), ``blur_share`` (the same against the character height), ``anisotropy`` and
        ``weakest_detail`` (see ``focus``), ``laplacian_variance`` (grey levels squared, not
        judged by), ``noise_levels``, ``brightness_p95`` (0..255), ``burnt_share``,
        ``hair_share``, ``tonal_range`` (0..255), and with a mark ``mark_height_px``.
        The two blur measures are missing when the picture shows no edge at all; it then counts
        as blurred.

    Raises
    ------
    ValueError
        If the mark has no quad, or one that is not four finite points.
    """
    times = halvings(max(photo.height_px, photo.width_px), WORKING_SIDE_PX)
    small = halve(photo.pixels, times)
    gray = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY)
    view = _view_of_mark(photo, mark) if mark else _view_of_window(small, gray, 0.5**times)
    view_gray = cv2.cvtColor(view.pixels, cv2.COLOR_RGB2GRAY)
    megapixels = photo.height_px * photo.width_px / 1e6
    measures = {"megapixels": megapixels}
    flags = Flag.SMALL_PICTURE if megapixels < SMALL_MEGAPIXELS else Flag.NONE
    flags |= _judge_blur(view_gray.astype(np.float32), view, measures)
    flags |= _judge_light(view_gray, view, measures)
    if flags & Flag.MOTION:
        flags &= ~Flag.HAIR  # needles smeared by movement look like strands
    measures["tonal_range"] = _tonal_range(gray)
    if measures["tonal_range"] < FLAT_LEVELS:
        flags |= Flag.LOW_CONTRAST
    if mark:
        measures["mark_height_px"] = mark.height_px
        flags |= _judge_framing(photo, mark)
    elif min(photo.height_px, photo.width_px) < MIN_HEIGHT_PX:
        flags |= Flag.MARK_SMALL
    return CaptureCheck(
        flags=flags, measures=measures, good_enough=not bool(flags & PREVENTS_READING)
    )


def _judge_blur(gray: GrayImage, view: _View, measures: dict[str, float]) -> Flag:
    measures["laplacian_variance"] = variance_of_laplacian(gray)
    measures["noise_levels"] = noise_sigma(gray)
    detail = directional_detail(gray)
    measures["anisotropy"] = detail.anisotropy
    measures["weakest_detail"] = detail.weakest
    flags = Flag.NONE
    limit = MOTION_ANISOTROPY_OF_MARK if view.shows_mark else MOTION_ANISOTROPY
    if detail.anisotropy > limit and detail.weakest < MOTION_DETAIL:
        flags |= Flag.MOTION
    sigma = edge_sigma(gray)
    if np.isnan(sigma):
        return flags | Flag.BLURRED
    measures["blur_px"] = sigma / view.scale
    measures["blur_share"] = sigma / view.height_px
    return flags | Flag.BLURRED if measures["blur_share"] > MAX_BLUR_SHARE else flags


def _judge_light(gray: NDArray[np.uint8], view: _View, measures: dict[str, float]) -> Flag:
    inside = view.inside
    measures["brightness_p95"] = float(_level(gray[inside], 0.95))
    measures["burnt_share"] = float(burnt(view.pixels)[inside].mean())
    measures["hair_share"] = _hair_share(gray, view)
    flags = Flag.NONE
    if measures["brightness_p95"] < DARK_LEVEL:
        flags |= Flag.TOO_DARK
    if measures["burnt_share"] > BURNT_SHARE:
        flags |= Flag.TOO_BRIGHT
    elif measures["burnt_share"] > GLARE_SHARE:
        flags |= Flag.GLARE
    if measures["hair_share"] > HAIR_SHARE:
        flags |= Flag.HAIR
    return flags


def _hair_share(gray: NDArray[np.uint8], view: _View) -> float:
    """Share under strands; a small mark is enlarged, so that its dots are not taken for strands."""
    inside = view.inside
    if view.shows_mark and view.height_px < CHARACTER_HEIGHT_PX:
        ratio = CHARACTER_HEIGHT_PX / max(view.height_px, MIN_HEIGHT_PX)
        size = (round(gray.shape[1] * ratio), round(gray.shape[0] * ratio))
        gray = np.asarray(cv2.resize(gray, size, interpolation=cv2.INTER_CUBIC))
        enlarged = cv2.resize(inside.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
        inside = enlarged.astype(np.bool_)
    return float(strands(gray)[inside].mean())


def _judge_framing(photo: Photo, mark: MarkBox) -> Flag:
    height = mark.height_px
    flags = Flag.MARK_SMALL if height < MIN_HEIGHT_PX else Flag.NONE
    corners = np.concatenate(mark.quads)
    margin = EDGE_MARGIN * height - 0.5  # the picture reaches half a pixel beyond pixel centres
    last = np.array([photo.width_px - 1, photo.height_px - 1])
    if (corners < margin).any() or (corners > last - margin).any():
        flags |= Flag.MARK_CUT_OFF
    return flags


def _tonal_range(gray: NDArray[np.uint8]) -> float:
    """Grey levels between the darkest and the lightest half percent."""
    return float(_level(gray, 0.995) - _level(gray, 0.005))


def _level(gray: NDArray[np.uint8], share: float) -> int:
    """Lowest grey level that at least this share of the pixels does not exceed."""
    counts = np.cumsum(cv2.calcHist([np.ascontiguousarray(gray)], [0], None, [256], [0, 256]))
    return int(np.searchsorted(counts, share * counts[-1]))


def _view_of_window(small: ColorImage, gray: NDArray[np.uint8], scale: float) -> _View:
    window = guess_window(gray.astype(np.float32))
    pixels = small[window.top : window.bottom, window.left : window.right]
    inside = np.ones(pixels.shape[:2], np.bool_)
    return _View(pixels, inside, scale, ASSUMED_HEIGHT_SHARE * max(gray.shape), False)


def _view_of_mark(photo: Photo, mark: MarkBox) -> _View:
    """The mark with half a character around it, at most ``CHARACTER_HEIGHT_PX`` high."""
    if not mark.quads or any(q.shape != (4, 2) or not np.isfinite(q).all() for q in mark.quads):
        raise ValueError("a mark needs at least one quad, each of four finite points (4, 2)")
    height = max(mark.height_px, 1.0)
    corners = np.concatenate(mark.quads)
    limit = np.array([photo.width_px, photo.height_px])
    low = np.clip(np.floor(corners.min(axis=0) - height / 2), 0, limit - 1).astype(int)
    high = np.clip(np.ceil(corners.max(axis=0) + height / 2) + 1, low + 1, limit).astype(int)
    part = photo.pixels[low[1] : high[1], low[0] : high[0]]
    scale = min(1.0, CHARACTER_HEIGHT_PX / height)
    size = np.maximum(np.rint((high - low) * scale), 1).astype(int)
    pixels = part
    if scale < 1.0:
        pixels = cv2.resize(part, (int(size[0]), int(size[1])), interpolation=cv2.INTER_AREA)
    inside = np.zeros(pixels.shape[:2], np.uint8)
    for quad in mark.quads:
        hull = cv2.convexHull(np.rint((quad - low) * scale).astype(np.int32))
        cv2.fillConvexPoly(inside, hull, 1)
    seen = inside.astype(np.bool_)
    return _View(pixels, seen if seen.any() else np.ones_like(seen), scale, height * scale, True)
