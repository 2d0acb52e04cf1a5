"""Texts inside a PNG file: what it was made from, and how.

PNG (Third Edition), W3C Recommendation 2025, section 11.3.3: ``tEXt`` chunks hold a keyword of 1 to
79 Latin-1 characters, a zero byte and a Latin-1 text.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping
from typing import Final

_SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"
_HEADER_END: Final = len(_SIGNATURE) + 4 + 4 + 13 + 4
"""After the signature and the IHDR chunk, which is always first and has 13 bytes."""


def with_texts(png: bytes, texts: Mapping[str, str]) -> bytes:
    """A PNG file with more texts; characters outside ASCII are written as escapes."""
    chunks = b"".join(
        _chunk(b"tEXt", _plain(keyword)[:79] + b"\0" + _plain(text))
        for keyword, text in texts.items()
    )
    return png[:_HEADER_END] + chunks + png[_HEADER_END:]


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _plain(text: str) -> bytes:
    return text.encode("ascii", "backslashreplace").replace(b"\0", b"")
