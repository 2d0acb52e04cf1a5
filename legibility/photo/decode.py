"""Bytes of a picture file to upright RGB pixels, with its size checked before it is decoded."""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from PIL import Image

from legibility.containers import ColorImage
from legibility.errors import PhotoError, PhotoTooLargeError
from legibility.photo import formats
from legibility.photo.orientation import captured_at, orientation_of, upright

BACKDROP_GRAY: Final = 128
"""Choice: what shows through transparent parts; mid grey is neither ink nor glare."""
TIFF_SUBFILE_TAG: Final = 254
"""TIFF 6.0, NewSubfileType: bit 0 is set for a reduced copy of another picture of the file."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """A picture without its file."""

    pixels: ColorImage
    orientation: int
    captured_at: str


def decode(name: str, data: bytes, *, max_megapixels: float) -> Decoded:
    """Decode one still picture.

    Parameters
    ----------
    name
        Printable name for messages.
    data
        The file.
    max_megapixels
        Pictures above are refused by their header, before memory is taken for their pixels.

    Raises
    ------
    PhotoTooLargeError
        If the header says more megapixels.
    PhotoError
        If it is no picture, of a kind that is not read, damaged, or holds several pictures.
    """
    kind = formats.format_of(data[:16])
    if not kind:
        raise PhotoError(
            f"{name}: it is {formats.describe_unknown(data[:16])}; expected one of "
            f"{', '.join(formats.READ_FORMATS)}; {formats.EXPORT_REMEDY}"
        )
    opener = _opener(name, kind)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with opener(io.BytesIO(data)) as image:
                return _decode_opened(name, kind, data, image, max_megapixels)
    except PhotoError:
        raise
    except Image.DecompressionBombError as error:
        raise PhotoTooLargeError(
            f"{name}: the picture is too large to be decoded ({error}); send a smaller copy"
        ) from error
    except Exception as error:  # decoders raise whatever a damaged file makes them
        raise PhotoError(
            f"{name}: this {kind} file is cut short or damaged ({error or type(error).__name__}); "
            "copy the photo from the camera again"
        ) from error


def _opener(name: str, kind: str) -> Callable[[io.BytesIO], Image.Image]:
    """What reads the header of one kind of file.

    The plug-ins are called directly, not through ``PIL.Image.open``, so that the limit in
    megapixels is ours alone and no process-wide limit has to be changed.
    """
    if kind == formats.JPEG:
        from PIL.JpegImagePlugin import JpegImageFile as opener
    elif kind == formats.PNG:
        from PIL.PngImagePlugin import PngImageFile as opener
    elif kind == formats.TIFF:
        from PIL.TiffImagePlugin import TiffImageFile as opener
    elif kind == formats.WEBP:
        from PIL.WebPImagePlugin import WebPImageFile as opener
    elif kind == formats.BMP:
        from PIL.BmpImagePlugin import BmpImageFile as opener
    elif kind == formats.GIF:
        from PIL.GifImagePlugin import GifImageFile as opener
    else:
        try:
            from pillow_heif import HeifImageFile as opener
        except ImportError as error:
            raise formats.PhotoExtraError(
                f"{name}: this is a HEIC photo and the package to read it is not installed; "
                "install it with: pip install 'legibility[heic]', or save the photo as JPEG"
            ) from error
    return opener  # type: ignore[no-any-return]


def _decode_opened(
    name: str, kind: str, data: bytes, image: Image.Image, max_megapixels: float
) -> Decoded:
    width, height = image.size
    if width * height > max_megapixels * 1e6:
        raise PhotoTooLargeError(
            f"{name}: the picture is {width} x {height} pixels "
            f"({width * height / 1e6:.1f} megapixels), the limit is {max_megapixels:g}; "
            "send a smaller copy or raise the setting max_megapixels"
        )
    _check_single(name, kind, image)
    exif = image.getexif()
    orientation, time = orientation_of(exif), captured_at(exif)
    pixels = _fast_jpeg(data, image) if kind == formats.JPEG else None
    if pixels is not None:
        return Decoded(upright(pixels, orientation), orientation, time)
    image.load()
    # The TIFF plug-in turns the picture while it decodes and then forgets the orientation.
    remaining = orientation_of(image.getexif())
    return Decoded(upright(_to_rgb(name, image), remaining), orientation, time)


def _check_single(name: str, kind: str, image: Image.Image) -> None:
    """Refuse animations and files of several pages; previews inside a photo are allowed."""
    if kind == formats.HEIC:
        return  # bursts and depth maps travel with the primary picture, which is the one read
    if kind == formats.TIFF:
        if image.tag_v2.get(TIFF_SUBFILE_TAG, 0) & 1:
            raise PhotoError(
                f"{name}: it is a raw camera file whose first picture is only a preview; "
                f"{formats.EXPORT_REMEDY}"
            )
        pages = _full_tiff_pages(image)
    else:
        pages = getattr(image, "n_frames", 1)
    if pages > 1:
        raise PhotoError(
            f"{name}: this {kind} file is an animation or holds several pictures; "
            "save the picture that shows the mark as a file of its own"
        )


def _full_tiff_pages(image: Image.Image) -> int:
    """1, or 2 as soon as a second page is found that is no reduced copy of the first."""
    pages = 1
    for page in range(1, image.n_frames):
        image.seek(page)
        if not image.tag_v2.get(TIFF_SUBFILE_TAG, 0) & 1:
            pages = 2
            break
    image.seek(0)
    return pages


def _fast_jpeg(data: bytes, image: Image.Image) -> ColorImage | None:
    """Pixels of an ordinary, complete JPEG; None when the slower way must decide.

    Measured on 12 megapixels: 80 ms against 155 ms through PIL, whose way into an array copies
    twice; both use libjpeg-turbo and give the same pixels. OpenCV fills a truncated picture with
    grey without a word, so a file without an end marker is left to PIL, which refuses it.
    """
    if image.mode not in ("RGB", "L") or not _jpeg_has_end(data):
        return None
    flags = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    bgr = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if bgr is None or bgr.shape[:2] != (image.height, image.width):
        return None
    return np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB, dst=bgr))


def _jpeg_has_end(data: bytes) -> bool:
    """Whether an end marker follows the first scan (ITU-T T.81, B.1.1: FF D9 after FF DA)."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xDA:
            return data.find(b"\xff\xd9", at) >= 0
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return False


def _to_rgb(name: str, image: Image.Image) -> ColorImage:
    """(height, width, 3) uint8 RGB from any mode PIL decodes a photo to."""
    if image.mode.startswith("I;16") or (image.mode == "I" and image.format == "PNG"):
        upper = (np.asarray(image).astype(np.uint32) >> 8).astype(np.uint8)
        return np.repeat(upper[:, :, None], 3, axis=2)
    if image.mode in ("I", "F"):
        raise PhotoError(
            f"{name}: its pixels are 32-bit numbers, for which no white is defined; "
            "save the photo with 8 or 16 bits a channel"
        )
    if image.mode in ("LA", "PA", "La", "RGBA", "RGBa") or "transparency" in image.info:
        layer = image.convert("RGBA")
        backdrop = Image.new("RGBA", layer.size, (BACKDROP_GRAY,) * 3 + (255,))
        return np.array(Image.alpha_composite(backdrop, layer).convert("RGB"))
    return np.array(image.convert("RGB"))
