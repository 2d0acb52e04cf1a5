"""Pictures of the record's photos for people: made from decoded pixels, never the file as it is."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

from legibility.errors import StoreError
from legibility.photo.load import load_photo
from legibility.pipeline.case_sources import photo_files
from legibility.report.drawing import draw_cells, shrink
from legibility.report.mark_crop import upright_mark
from legibility.report.page import jpeg_bytes
from legibility.settings import Settings
from legibility.store.database import open_herd
from legibility.store.readings import whole_reading

PHOTO_PX: Final = 1280
"""Choice: longest side of a photo on a page."""
SMALL_PX: Final = 320
"""Choice: longest side of a photo in a list."""
QUALITY: Final = 85
BESIDE_PX: Final = 44
"""Choice: height of a character where marks of several photos stand side by side."""
KINDS: Final = ("photo", "small", "cells", "mark", "beside")


def record_picture(
    herd: Path, sha256: str, kind: str, *, reading_id: int = 0, settings: Settings
) -> bytes:
    """A JPEG file of a photo of the record.

    Parameters
    ----------
    kind : str
        ``photo``; ``small``, for lists; ``cells``, with what a reading located drawn on it;
        ``mark``, cut out upright; or ``beside``, cut out with characters of the same height in all
        photos.
    reading_id : int
        Which reading, for the last three.

    Raises
    ------
    StoreError
        If the photo or the reading is not in the record, or the reading is of another photo or
        found no mark.
    EvidenceError
        If the photo's file was changed since intake, or is gone.
    PhotoError
        If it cannot be decoded.
    """
    ((_, path),) = photo_files(herd, [sha256])
    photo = load_photo(path, settings=settings)
    if kind in ("photo", "small"):
        longest = PHOTO_PX if kind == "photo" else SMALL_PX
        picture = shrink(photo.pixels, max_height_px=longest, max_width_px=longest)
        return jpeg_bytes(picture, quality=QUALITY)
    with open_herd(herd, read_only=True) as db:
        result = whole_reading(db, reading_id)
    if result.sha256 != sha256 or not result.reading.hypotheses:
        raise StoreError(f"reading {reading_id} shows no mark in photo {sha256[:12]}...")
    best = result.reading.hypotheses[0]
    if kind == "mark":
        return jpeg_bytes(upright_mark(photo.pixels, best), quality=QUALITY)
    if kind == "beside":
        mark = upright_mark(photo.pixels, best, height_px=BESIDE_PX, enlarged=math.inf)
        return jpeg_bytes(mark, quality=QUALITY)
    small = shrink(photo.pixels, max_height_px=PHOTO_PX, max_width_px=PHOTO_PX)
    drawn = draw_cells(small, result.reading, scale=small.shape[1] / photo.width_px)
    return jpeg_bytes(drawn, quality=QUALITY)
