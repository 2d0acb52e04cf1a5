"""Turning a picture upright by its EXIF orientation, and the time it was taken."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

from legibility.containers import ColorImage

if TYPE_CHECKING:
    from PIL.Image import Exif

ORIENTATION_TAG: Final = 0x0112
"""EXIF 2.32 (CIPA DC-008), table 4: Orientation."""
EXIF_IFD_TAG: Final = 0x8769
"""EXIF 2.32, 4.6.3: pointer to the Exif IFD."""
CAPTURE_TIME_TAGS: Final = (0x9003, 0x9004)
"""EXIF 2.32, table 8: DateTimeOriginal, then DateTimeDigitized. DateTime (0x0132) is when the
file was last changed and is not used."""
EXIF_TIME_FORMAT: Final = "%Y:%m:%d %H:%M:%S"
"""EXIF 2.32, 4.6.5 D."""


def orientation_of(exif: Exif) -> int:
    """Orientation 1..8 from EXIF; 1 when it is not recorded or not one of the eight."""
    value = exif.get(ORIENTATION_TAG, 1)
    return int(value) if isinstance(value, int) and 1 <= value <= 8 else 1


def captured_at(exif: Exif) -> str:
    """Time of capture as ISO 8601 without zone, e.g. ``2024-05-31T14:03:09``; empty if unknown."""
    details = exif.get_ifd(EXIF_IFD_TAG)
    for tag in CAPTURE_TIME_TAGS:
        text = str(details.get(tag, "")).strip(" \x00")
        try:
            return datetime.strptime(text, EXIF_TIME_FORMAT).isoformat()
        except ValueError:
            continue
    return ""


def upright(pixels: ColorImage, orientation: int) -> ColorImage:
    """The picture as a person held the camera.

    Parameters
    ----------
    pixels
        (height, width, 3) or (height, width), as stored in the file; not modified.
    orientation
        1..8: which side of the scene the first row and the first column are (EXIF 2.32, table 4:
        1 top left, 2 top right, 3 bottom right, 4 bottom left, 5 left top, 6 right top,
        7 right bottom, 8 left bottom).

    Returns
    -------
    The same array for 1, otherwise a new contiguous one; height and width swapped for 5..8.

    Raises
    ------
    ValueError
        If the orientation is not 1..8.
    """
    if orientation == 1:
        return pixels
    if orientation == 2:
        return np.asarray(cv2.flip(pixels, 1))
    if orientation == 3:
        return np.asarray(cv2.rotate(pixels, cv2.ROTATE_180))
    if orientation == 4:
        return np.asarray(cv2.flip(pixels, 0))
    if orientation == 5:
        return np.asarray(cv2.transpose(pixels))
    if orientation == 6:
        return np.asarray(cv2.rotate(pixels, cv2.ROTATE_90_CLOCKWISE))
    if orientation == 7:
        return np.asarray(cv2.flip(cv2.transpose(pixels), -1))
    if orientation == 8:
        return np.asarray(cv2.rotate(pixels, cv2.ROTATE_90_COUNTERCLOCKWISE))
    raise ValueError(f"orientation is {orientation}; expected 1 to 8")
