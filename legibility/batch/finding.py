"""The photos that a command was given, or a clear word that there are none."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from legibility.errors import PhotoError
from legibility.photo.find import find_photos
from legibility.photo.load import printable_name


def photos_in(photos: Iterable[str | os.PathLike[str]]) -> list[Path]:
    """Files meant by ``photos``.

    Raises
    ------
    PhotoError
        If there are none.
    """
    wanted = list(photos)
    found = find_photos(wanted)
    if not found:
        named = ", ".join(printable_name(path) for path in wanted[:3])
        raise PhotoError(
            f"{named}: no photo found; expected files such as .jpg, .png or .heic in this folder"
        )
    return found
