"""Loading: every kind of file, and every kind of file that is refused."""

from __future__ import annotations

import hashlib
import io
import os
import struct
import sys
import zlib
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from legibility.errors import MissingExtraError, PhotoError, PhotoTooLargeError
from legibility.photo.load import load_photo, load_photo_bytes, printable_name
from legibility.settings import Settings

RAMP = np.tile(np.linspace(0, 255, 32).astype(np.uint8)[None, :, None], (24, 1, 3))


def encoded(image: Image.Image, kind: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return buffer.getvalue()


def refused(data: bytes, **settings: float) -> str:
    with pytest.raises(PhotoError) as caught:
        load_photo_bytes("herd/ear.jpg", data, settings=Settings(**settings))
    message = str(caught.value)
    assert message.startswith("herd/ear.jpg: ")
    assert ";" in message  # the reason, then what to do
    return message


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "BMP", "GIF"])
def test_lossless_kinds_give_the_pixels_and_the_digest_of_the_file(
    kind: str, tmp_path: Path
) -> None:
    gray = Image.fromarray(RAMP[:, :, 0]) if kind == "GIF" else Image.fromarray(RAMP)
    data = encoded(gray, kind)
    path = tmp_path / "ear.jpg"  # wrong suffix: read by content
    path.write_bytes(data)
    photo = load_photo(path)
    np.testing.assert_array_equal(photo.pixels, RAMP)
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert photo.name == str(path)
    assert (photo.height_px, photo.width_px) == (24, 32)
    assert photo.pixels.dtype == np.uint8


def test_sha256_of_the_standard_test_message() -> None:
    """FIPS 180-4 example: SHA-256 of "abc"; a photo's digest is that of all of its bytes."""
    known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert hashlib.sha256(b"abc").hexdigest() == known
    data = encoded(Image.fromarray(RAMP), "BMP")
    assert load_photo_bytes("a", data + b"abc").sha256 != load_photo_bytes("a", data).sha256


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"subsampling": 0}])
def test_jpeg_gives_the_same_pixels_as_pil(options: dict[str, object]) -> None:
    data = encoded(Image.fromarray(RAMP), "JPEG", quality=85, **options)
    with Image.open(io.BytesIO(data)) as image:
        expected = np.asarray(image.convert("RGB")).astype(int)
    assert np.abs(load_photo_bytes("a", data).pixels - expected).max() <= 1


def test_webp_and_gray_jpeg() -> None:
    webp = load_photo_bytes("a", encoded(Image.fromarray(RAMP), "WEBP", lossless=True))
    np.testing.assert_array_equal(webp.pixels, RAMP)
    gray = load_photo_bytes("a", encoded(Image.fromarray(RAMP[:, :, 0]), "JPEG", quality=100))
    assert np.abs(gray.pixels.astype(int) - RAMP).max() <= 2


def test_heic() -> None:
    buffer = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(RAMP)).save(buffer, quality=95)
    photo = load_photo_bytes("ear.heic", buffer.getvalue())
    assert np.abs(photo.pixels.astype(int) - RAMP).mean() < 4


def test_heic_without_the_extra_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    message = refused(b"\x00\x00\x00\x18ftypheic" + bytes(20))
    assert "legibility[heic]" in message
    with pytest.raises(MissingExtraError):
        load_photo_bytes("a", b"\x00\x00\x00\x18ftypheic" + bytes(20))


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_16_bit_gray_keeps_its_upper_byte(kind: str) -> None:
    deep = RAMP[:, :, 0].astype(np.uint16) * 257  # 0xABAB has the upper byte 0xAB
    photo = load_photo_bytes("a", encoded(Image.fromarray(deep), kind))
    np.testing.assert_array_equal(photo.pixels, RAMP)


def png_16_bit_rgb(pixels: np.ndarray) -> bytes:
    """A PNG with 16 bits a channel, written by hand after RFC 2083 (PIL cannot write one)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    height, width = pixels.shape[:2]
    lines = b"".join(b"\0" + row.astype(">u2").tobytes() for row in pixels)
    head = struct.pack(">IIBBBBB", width, height, 16, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(lines))
        + chunk(b"IEND", b"")
    )


def test_16_bit_colour_keeps_its_upper_byte() -> None:
    photo = load_photo_bytes("a", png_16_bit_rgb(RAMP.astype(np.uint16) * 256 + 7))
    np.testing.assert_array_equal(photo.pixels, RAMP)


def test_cmyk_jpeg_white_and_black() -> None:
    ink = np.zeros((16, 32, 4), np.uint8)
    ink[:, 16:, 3] = 255
    pixels = load_photo_bytes("a", encoded(Image.fromarray(ink, "CMYK"), "JPEG")).pixels
    assert pixels[:, :12].min() > 245
    assert pixels[:, 20:].max() < 10


def test_transparent_parts_lie_on_mid_gray() -> None:
    layer = np.zeros((4, 6, 4), np.uint8)
    layer[:, :2] = (200, 100, 50, 255)
    layer[:, 4:] = (255, 255, 255, 128)
    pixels = load_photo_bytes("a", encoded(Image.fromarray(layer), "PNG")).pixels
    np.testing.assert_array_equal(pixels[0, 0], (200, 100, 50))
    np.testing.assert_array_equal(pixels[0, 2], (128, 128, 128))
    assert np.abs(pixels[0, 4].astype(int) - 192).max() <= 1  # half way between 128 and 255


def test_palette_with_and_without_a_transparent_entry() -> None:
    palette = Image.new("P", (4, 4), 1)
    palette.putpalette([0, 0, 0, 10, 200, 30])
    np.testing.assert_array_equal(
        load_photo_bytes("a", encoded(palette, "PNG")).pixels[0, 0], (10, 200, 30)
    )
    hidden = encoded(palette, "PNG", transparency=1)
    np.testing.assert_array_equal(load_photo_bytes("a", hidden).pixels[0, 0], (128, 128, 128))
    partly = encoded(palette, "PNG", transparency=bytes([255, 0]))
    np.testing.assert_array_equal(load_photo_bytes("a", partly).pixels[0, 0], (128, 128, 128))


def test_black_and_white() -> None:
    photo = load_photo_bytes("a", encoded(Image.new("1", (8, 8), 1), "PNG"))
    assert photo.pixels.shape == (8, 8, 3)
    assert photo.pixels.min() == 255


@pytest.mark.parametrize("kind", ["GIF", "PNG", "WEBP", "TIFF"])
def test_animations_and_pages_are_refused(kind: str) -> None:
    frames = [Image.new("RGB", (8, 8), color) for color in ("red", "blue")]
    data = encoded(frames[0], kind, save_all=True, append_images=frames[1:])
    assert "several pictures" in refused(data)


def test_preview_page_of_a_tiff_is_no_second_picture() -> None:
    big, small = Image.fromarray(RAMP), Image.new("RGB", (4, 4))
    small.encoderinfo = {"tiffinfo": {254: 1}}
    data = encoded(big, "TIFF", save_all=True, append_images=[small])
    np.testing.assert_array_equal(load_photo_bytes("a", data).pixels, RAMP)


def test_raw_camera_file_is_not_read_from_its_preview() -> None:
    assert "preview" in refused(encoded(Image.fromarray(RAMP), "TIFF", tiffinfo={254: 1}))


def test_phone_jpeg_with_a_second_picture_behind_it() -> None:
    frames = [Image.fromarray(RAMP), Image.new("RGB", (8, 8))]
    data = encoded(frames[0], "MPO", save_all=True, append_images=frames[1:], quality=95)
    assert np.abs(load_photo_bytes("a", data).pixels.astype(int) - RAMP).max() < 8


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "BMP", "GIF"])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.95])
def test_truncated(kind: str, share: float) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (60, 80, 3), dtype=np.uint8)
    image = Image.fromarray(noise[:, :, 0] if kind == "GIF" else noise)
    data = encoded(image, kind)
    assert "damaged" in refused(data[: max(20, int(len(data) * share))])


def test_jpeg_without_end_marker_only_is_left_to_pil() -> None:
    data = encoded(Image.fromarray(RAMP), "JPEG")
    assert data.endswith(b"\xff\xd9")
    assert "damaged" in refused(data[:-2])


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"animal_id,mark\n1,AB12\n", "not a picture"),
        (b"%PDF-1.7 ....", "PDF"),
        (b"<!DOCTYPE html>", "web page"),
        (b"\x00\x00\x00\x18ftypmp42" + bytes(16), "video"),
        (b"\x00\x00\x00\x18ftypavif" + bytes(16), "AVIF"),
        (b"\x00" * 400, "not a picture"),
        (b"\xff", "not a picture"),
        (b"\xff\xd8\xff\xe0" + bytes(300), "damaged"),
        (b"\x89PNG\r\n\x1a\n" + bytes(300), "damaged"),
        (b"II*\x00" + b"\x08\x00\x00\x00" + b"\xff" * 300, "damaged"),
        (b"RIFF\x10\x00\x00\x00WEBPVP8 " + bytes(40), "damaged"),
        (b"BM" + bytes(60), "damaged"),
    ],
)
def test_not_a_photo(data: bytes, words: str) -> None:
    assert words in refused(data)


def test_decompression_bomb_is_refused_by_its_header() -> None:
    head = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    body = b"IHDR" + head
    data = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + body + struct.pack(">I", zlib.crc32(body))
    data += (
        struct.pack(">I", 4)
        + b"IDAT"
        + bytes(4)
        + struct.pack(">I", zlib.crc32(b"IDAT" + bytes(4)))
    )
    with pytest.raises(PhotoTooLargeError, match=r"60000 x 60000 .* limit is 80"):
        load_photo_bytes("a", data)


def test_limits_can_be_set() -> None:
    data = encoded(Image.fromarray(RAMP), "BMP")
    with pytest.raises(PhotoTooLargeError, match="megapixels"):
        load_photo_bytes("a", data, settings=Settings(max_megapixels=0.0005))
    with pytest.raises(PhotoTooLargeError, match="MiB"):
        load_photo_bytes("a", data, settings=Settings(max_file_mib=0.001))
    assert load_photo_bytes("a", data, settings=Settings(max_megapixels=0.001)).width_px == 32


def test_pil_own_limit_is_neither_used_nor_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A picture above the limit at which PIL warns or refuses is judged by the settings alone."""
    data = encoded(Image.fromarray(RAMP), "PNG")
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 100)
    with pytest.raises(Image.DecompressionBombError):
        Image.open(io.BytesIO(data))
    np.testing.assert_array_equal(load_photo_bytes("a", data).pixels, RAMP)
    assert Image.MAX_IMAGE_PIXELS == 100


def test_paths_that_are_no_regular_file(tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "dangling").symlink_to("nowhere")
    (tmp_path / "file").write_bytes(b"x")
    os.mkfifo(tmp_path / "pipe")
    for name, words in {
        "missing.jpg": "no such file",
        "loop": "back to itself",
        "dangling": "does not exist",
        "pipe": "pipe",
        "file/ear.jpg": "not a folder",
        "": "folder",
    }.items():
        with pytest.raises(PhotoError, match=words) as caught:
            load_photo(tmp_path / name)
        assert str(tmp_path / name) in str(caught.value)
    with pytest.raises(PhotoError, match="device"):
        load_photo("/dev/zero")
    with pytest.raises(PhotoError, match="null"):
        load_photo("ear\0.jpg")


def test_permission_denied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The operating system's refusal, made by hand because an administrator may read anything."""
    path = tmp_path / "ear.jpg"
    path.write_bytes(b"x")

    def deny(*_: object) -> int:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr("legibility.photo.load.os.open", deny)
    with pytest.raises(PhotoError, match="may not read"):
        load_photo(path)


def test_names_are_safe_to_print(tmp_path: Path) -> None:
    raw = os.fsencode(tmp_path) + b"/ear\xe9\x1b[31m.jpg"
    Path(os.fsdecode(raw)).write_bytes(encoded(Image.fromarray(RAMP), "JPEG"))
    photo = load_photo(os.fsdecode(raw))
    assert photo.name.endswith("/ear\\xe9\\x1b[31m.jpg")
    photo.name.encode("utf-8")
    assert printable_name("Öhr 耳.jpg") == "Öhr 耳.jpg"
    assert printable_name("a\u202egpj.exe") == "a\\u202egpj.exe"
