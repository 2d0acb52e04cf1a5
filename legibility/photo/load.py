"""From a path to an upright RGB photo with the digest of the file as found, or a clear refusal."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from pathlib import Path
from typing import Final

from legibility.containers import Photo
from legibility.errors import PhotoError, PhotoTooLargeError
from legibility.photo.decode import decode
from legibility.settings import Settings

MIB: Final = 1024 * 1024


def printable_name(path: str | bytes | os.PathLike[str]) -> str:
    """A file's name that is safe to print and to encode.

    Bytes that are not UTF-8 and characters that would steer a terminal or turn the direction of
    writing are written as backslash escapes.

    Examples
    --------
    >>> printable_name(b"ear \\xe9\\n.jpg")
    'ear \\\\xe9\\\\n.jpg'
    """
    text = os.fsencode(path).decode("utf-8", "backslashreplace")
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def load_photo(path: str | os.PathLike[str], *, settings: Settings | None = None) -> Photo:
    """Read one photo from a file.

    Parameters
    ----------
    path
        Any file; its kind is told by its content, not by its suffix.
    settings
        ``max_file_mib`` and ``max_megapixels`` are used; the defaults when not given.

    Returns
    -------
    Photo
        Upright, RGB; see :func:`load_photo_bytes`.

    Raises
    ------
    PhotoTooLargeError
        If the file has more MiB, or the picture more megapixels, than the settings allow.
    PhotoError
        If the file is missing, may not be read, is a folder or not a regular file, or cannot be
        decoded. The message names the file, the reason and what to do.
    """
    settings = settings or Settings()
    name = printable_name(path)
    return load_photo_bytes(name, _read_regular_file(path, name, settings), settings=settings)


def load_photo_bytes(name: str, data: bytes, *, settings: Settings | None = None) -> Photo:
    """Decode one photo that is already in memory.

    Parameters
    ----------
    name
        What to call it in messages and results.
    data
        A JPEG, PNG, TIFF, WebP, BMP, GIF or (with the extra ``heic``) HEIC file.
    settings
        As for :func:`load_photo`.

    Returns
    -------
    Photo
        ``pixels`` (height, width, 3) uint8 RGB, turned upright by EXIF. 16-bit pictures keep their
        upper 8 bits; CMYK is converted without a colour profile; transparent parts lie on mid
        grey, which is neither ink nor glare.

    Raises
    ------
    PhotoTooLargeError, PhotoError
        As for :func:`load_photo`; also for animations and files of several pictures, because
        which of them shows the mark is for a person to say.
    """
    settings = settings or Settings()
    name = printable_name(name)
    _check_file_size(name, len(data), settings)
    if not data:
        raise PhotoError(f"{name}: the file is empty; copy the photo from the camera again")
    picture = decode(name, data, max_megapixels=settings.max_megapixels)
    return Photo(
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        pixels=picture.pixels,
        exif_orientation=picture.orientation,
        captured_at=picture.captured_at,
    )


def _read_regular_file(path: str | os.PathLike[str], name: str, settings: Settings) -> bytes:
    """All bytes of a regular file; never waits for a pipe or a device."""
    try:
        # Looked at before it is opened, because opening a device can already do something.
        _check_kind(name, os.stat(path))
        with os.fdopen(os.open(path, _OPEN_FLAGS), "rb") as file:
            found = os.fstat(file.fileno())
            _check_kind(name, found)
            _check_file_size(name, found.st_size, settings)
            # One byte more than allowed: a file that grows meanwhile is noticed.
            return file.read(int(settings.max_file_mib * MIB) + 1)
    except (OSError, ValueError) as error:
        if isinstance(error, PhotoError):
            raise
        raise PhotoError(f"{name}: {_reason(Path(path), error)}") from error


_OPEN_FLAGS: Final = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)


def _check_kind(name: str, found: os.stat_result) -> None:
    if stat.S_ISDIR(found.st_mode):
        raise PhotoError(
            f"{name}: this is a folder, expected a photo; its files cannot be listed or were not "
            "asked for, so give the photos in it or check who may open it"
        )
    if not stat.S_ISREG(found.st_mode):
        raise PhotoError(
            f"{name}: this is a pipe, socket or device, expected a regular file; "
            "save the photo as a file and give that"
        )


def _check_file_size(name: str, size: int, settings: Settings) -> None:
    if size > settings.max_file_mib * MIB:
        raise PhotoTooLargeError(
            f"{name}: the file has {size / MIB:.1f} MiB, the limit is {settings.max_file_mib:g} "
            "MiB; send a smaller copy or raise the setting max_file_mib"
        )


def _reason(path: Path, error: OSError | ValueError) -> str:
    """What went wrong when a file was opened, and what to do, in words."""
    if isinstance(error, FileNotFoundError):
        if path.is_symlink():
            return "this link points to a file that does not exist; give the photo itself"
        return "there is no such file; check the spelling and the folder"
    if isinstance(error, PermissionError):
        return "this user may not read the file; change its permissions or copy it"
    if isinstance(error, NotADirectoryError):
        return "a part of this path is a file, not a folder; check the spelling"
    if isinstance(error, OSError) and error.errno == errno.ELOOP:
        return "this link leads back to itself; give the photo itself"
    detail = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return f"the file cannot be read ({detail}); copy it again from the camera"
