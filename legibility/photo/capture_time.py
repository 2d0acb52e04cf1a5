"""When a photo was taken, without decoding it."""

from __future__ import annotations

import os
import warnings

from legibility.photo.orientation import captured_at


def capture_time(path: str | os.PathLike[str]) -> str:
    """Time of capture from EXIF as ISO 8601 without zone; empty when it is not recorded.

    Also empty for a file that Pillow cannot open, e.g. HEIC without the extra ``heic``.
    """
    from PIL import Image

    try:
        with warnings.catch_warnings():
            # Only the head of the file is read, so that a large picture is no danger.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            with Image.open(path) as image:
                return captured_at(image.getexif())
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return ""
