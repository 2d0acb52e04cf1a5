"""Which kind of file a photo is, by its first bytes, and what to do about the kinds not read."""

from __future__ import annotations

from typing import Final

from legibility.errors import MissingExtraError, PhotoError

JPEG: Final = "JPEG"
PNG: Final = "PNG"
TIFF: Final = "TIFF"
WEBP: Final = "WebP"
BMP: Final = "BMP"
GIF: Final = "GIF"
HEIC: Final = "HEIC"

READ_FORMATS: Final = (JPEG, PNG, TIFF, WEBP, BMP, GIF, HEIC)
"""Kinds of file that are read, in words."""

PHOTO_SUFFIXES: Final = frozenset(
    [
        ".jpg",
        ".jpeg",
        ".jpe",
        ".jfif",
        ".mpo",
        ".png",
        ".tif",
        ".tiff",
        ".webp",
        ".bmp",
        ".gif",
        ".heic",
        ".heif",
        ".hif",
    ]
)
"""Suffixes, lower case, of the files taken from a folder."""

EXPORT_REMEDY: Final = "save or export the photo as JPEG and try again"

_HEIC_BRANDS: Final = frozenset(
    (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
)
"""ISO/IEC 23008-12 annex B brands of HEVC pictures, and its structural brands."""

_OTHER_KINDS: Final = (
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or office document"),
    (b"8BPS", "a Photoshop document"),
    (b"\x1a\x45\xdf\xa3", "a video"),
    (b"RIFF", "a sound or video file"),
    (b"FUJIFILM", "a raw camera file"),
    (b"\x00\x00\x01\x00", "an icon"),
    (b"<", "a web page or other text in angle brackets"),
)
"""First bytes of files that people take for photos."""


class PhotoExtraError(PhotoError, MissingExtraError):
    """A photo whose kind of file needs an optional dependency that is not installed."""

    exit_code = PhotoError.exit_code


def format_of(head: bytes) -> str:
    """One of ``READ_FORMATS`` by the first 16 bytes; empty when it is none of them.

    The file name is not asked: a renamed file is read as what it is.
    """
    if head.startswith(b"\xff\xd8\xff"):
        return JPEG
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return PNG
    if head.startswith((b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")):
        return TIFF
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return WEBP
    if head.startswith(b"BM"):
        return BMP
    if head.startswith((b"GIF87a", b"GIF89a")):
        return GIF
    if head[4:8] == b"ftyp" and head[8:12] in _HEIC_BRANDS:
        return HEIC
    return ""


def describe_unknown(head: bytes) -> str:
    """What a file that is no readable picture seems to be, as the end of "it is ..."."""
    if head[4:8] == b"ftyp":
        brand = head[8:12].decode("latin-1").strip()
        if brand in ("avif", "avis"):
            return "an AVIF picture, a kind that is not read"
        if brand == "crx":
            return "a raw camera file"
        return "a video"
    for start, kind in _OTHER_KINDS:
        if head.startswith(start):
            return kind
    return "not a picture of a known kind"
