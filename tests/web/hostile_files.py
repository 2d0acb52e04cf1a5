"""Files that nobody should send as a photo, made from a seed."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable

import numpy as np
from PIL import Image, PngImagePlugin

MARKER = b"<script>alert('payload')</script>"
"""In files that are two kinds at once; must never come back out of the server."""


def picture(rng: np.random.Generator, kind: str = "JPEG", **options: object) -> bytes:
    """A small valid picture of noise."""
    shape = (int(rng.integers(24, 64)), int(rng.integers(24, 64)), 3)
    file = io.BytesIO()
    Image.fromarray(rng.integers(0, 256, shape, dtype=np.uint8)).save(file, kind, **options)
    return file.getvalue()


def truncated(rng: np.random.Generator) -> bytes:
    """Cut anywhere behind the first bytes."""
    kind = str(rng.choice(["JPEG", "PNG", "WEBP", "TIFF", "BMP", "GIF"]))
    whole = picture(rng, kind)
    return whole[: int(rng.integers(12, len(whole) - 8))]


def spoiled(rng: np.random.Generator) -> bytes:
    """Bytes changed behind the first ones."""
    kind = str(rng.choice(["JPEG", "PNG", "WEBP", "TIFF", "GIF"]))
    data = bytearray(picture(rng, kind))
    for at in rng.integers(12, len(data), 20):
        data[at] = int(rng.integers(256))
    return bytes(data)


def png(width: int, height: int, *, rows: bytes, extra: bytes = b"") -> bytes:
    """A PNG whose header says what it likes (ISO/IEC 15948, clause 5)."""
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    body = chunk(b"IHDR", head) + extra + chunk(b"IDAT", zlib.compress(rows, 9))
    return b"\x89PNG\r\n\x1a\n" + body + chunk(b"IEND", b"")


def chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def bomb(rng: np.random.Generator) -> bytes:
    """A few bytes that claim, or unpack to, very many pixels."""
    side = int(rng.integers(20_000, 2**31 - 1))
    which = int(rng.integers(3))
    if which == 0:
        return png(side, side, rows=bytes(1_000_000))
    if which == 1:
        text = b"Comment\0\0" + zlib.compress(bytes(20_000_000), 9)
        return png(side, 1, rows=b"\0", extra=chunk(b"zTXt", text))
    gif = bytearray(picture(rng, "GIF"))
    gif[6:10] = b"\xff\xff\xff\xff"
    return bytes(gif)


def two_kinds(rng: np.random.Generator) -> bytes:
    """A picture that is something else, too."""
    after = [b"PK\x03\x04" + MARKER, b"\n<html>" + MARKER, b"%PDF-1.7\n" + MARKER]
    if rng.random() < 0.5:
        return picture(rng) + after[int(rng.integers(3))]
    info = PngImagePlugin.PngInfo()
    info.add_text("Comment", MARKER.decode())
    return picture(rng, "PNG", pnginfo=info)


def svg(rng: np.random.Generator) -> bytes:
    head = b'<?xml version="1.0"?>' if rng.random() < 0.5 else b""
    return head + b'<svg xmlns="http://www.w3.org/2000/svg"><script/>' + MARKER + b"</svg>"


def page(rng: np.random.Generator) -> bytes:
    return [b"<!doctype html>", b"<html>", b"\n<body>"][int(rng.integers(3))] + MARKER


def nothing(rng: np.random.Generator) -> bytes:
    return b""


def other_kind(rng: np.random.Generator) -> bytes:
    """A file of another kind, by its first bytes."""
    heads = [
        b"\x7fELF", b"MZ", b"%PDF-1.7\n", b"PK\x03\x04", b"\x1f\x8b\x08", b"RIFF\0\0\0\0WAVE",
        b"\0\0\0\x18ftypmp42", b"\0\0\0\x18ftypavif", b"ID3", b"#!/bin/sh\n", b"SQLite format 3\0",
    ]  # fmt: skip
    return heads[int(rng.integers(len(heads)))] + rng.bytes(int(rng.integers(20, 2000)))


def only_a_head(rng: np.random.Generator) -> bytes:
    """The first bytes of a picture, then noise."""
    heads = [
        b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"II*\x00", b"MM\x00*", b"RIFF\0\0\0\0WEBP",
        b"BM", b"GIF89a", b"\0\0\0\x18ftypheic", b"\0\0\0\x18ftypmif1",
    ]  # fmt: skip
    return heads[int(rng.integers(len(heads)))] + rng.bytes(int(rng.integers(8, 3000)))


def huge_head(rng: np.random.Generator) -> bytes:
    """Megabytes of segments before a picture that is cut."""
    whole = picture(rng)
    segment = b"\xff\xe1" + struct.pack(">H", 65535) + b"Exif\0\0" + rng.bytes(65527)
    return whole[:2] + segment * int(rng.integers(4, 40)) + whole[2 : len(whole) // 2]


def moving(rng: np.random.Generator) -> bytes:
    """Several pictures in one file."""
    kind = str(rng.choice(["GIF", "WEBP", "TIFF", "PNG"]))
    shape = (int(rng.integers(2, 5)), 32, 32, 3)
    first, *others = (Image.fromarray(p) for p in rng.integers(0, 256, shape, dtype=np.uint8))
    file = io.BytesIO()
    first.save(file, kind, save_all=True, append_images=others)
    return file.getvalue()


def table(rng: np.random.Generator) -> bytes:
    cells = [b"=cmd|'/c calc'!A1", b"../../herd.db", b"@SUM(1)", MARKER]
    return b"animal_id,mark\r\n" + cells[int(rng.integers(4))] + b",J342\r\n"


KINDS: dict[str, Callable[[np.random.Generator], bytes]] = {
    made.__name__: made
    for made in (
        truncated, spoiled, bomb, two_kinds, svg, page, nothing, other_kind, only_a_head,
        huge_head, moving, table,
    )
}  # fmt: skip
MAY_BE_READ = frozenset({"two_kinds", "truncated", "spoiled"})
"""Kinds of which some are still pictures: what is behind or beside the picture is not looked at,
and a change may hit a pixel only."""


def hostile_files(number: int, *, seed: int) -> list[tuple[str, bytes]]:
    """So many files, every kind in turn."""
    rng = np.random.default_rng(seed)
    names = list(KINDS)
    return [(name, KINDS[name](rng)) for name in (names[i % len(names)] for i in range(number))]
