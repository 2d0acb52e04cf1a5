"""A reading's detail and posterior as one compressed block, and back, bit for bit.

Layout: 4 bytes ``LPZ1``, then one zlib stream (RFC 1950) with a preset dictionary. Unpacked:
uint32 (little-endian) length of the detail, the detail (JSON, UTF-8), and the posterior (see
``store.posterior``) with its last ``8 k`` bytes regrouped: all first bytes of every eight, all
second bytes, and so on. Neighbouring figures have like signs and
exponents, which then lie together.
"""

from __future__ import annotations

import struct
import zlib
from typing import Final

import numpy as np

from legibility.errors import StoreError

MAGIC: Final = b"LPZ1"
LEVEL: Final = 6
"""Measured on stored readings: 1 is not faster and 9 not smaller."""
MOST_BYTES: Final = 64 * 2**20
"""Choice: no reading unpacks to more; a damaged or hostile file must not fill the memory."""
DICTIONARY: Final = (
    b'"], "confusables": [], "reason": "", "set_basis": "", "measures": {}, "grade": null, '
    b'"photo": "photos/.jpg.jpeg.png", "reasons": [], "second_opinion": [], "reading_flags": 0, '
    b'"candidates": [["animal ", "0.0", [null, "", "candidate_set": ["'
    b'"grade": {"overall": 0., "parameters": {"ink_contrast": "needles_present": "separation": '
    b'"evenness": }, "reason": "Limited by the needles that are still present."}, "measures": {"'
)
"""Preset dictionary: what the detail of every reading repeats. Part of the format."""
_LENGTH: Final = struct.Struct("<I")


def packed(detail: str, posterior: bytes) -> bytes:
    """Detail and posterior as one block."""
    text = detail.encode("utf-8")
    work = zlib.compressobj(LEVEL, zdict=DICTIONARY)
    head = work.compress(_LENGTH.pack(len(text)) + text)
    return MAGIC + head + work.compress(_regrouped(posterior)) + work.flush()


def unpacked(block: bytes) -> tuple[str, bytes]:
    """What :func:`packed` was given.

    Raises
    ------
    StoreError
        If it is no such block, or damaged.
    """
    try:
        if block[:4] != MAGIC:
            raise ValueError(f"begins with {block[:4]!r}, expected {MAGIC!r}")
        work = zlib.decompressobj(zdict=DICTIONARY)
        data = work.decompress(block[4:], MOST_BYTES)
        if not work.eof or work.unused_data:
            raise ValueError("does not end where it should")
        (length,) = _LENGTH.unpack_from(data)
        end = _LENGTH.size + length
        if end > len(data):
            raise ValueError("is shorter than it says")
        return data[_LENGTH.size : end].decode("utf-8"), _as_it_was(data[end:])
    except (ValueError, struct.error, zlib.error) as error:
        raise StoreError(f"a stored reading is damaged ({error})") from error


def _regrouped(data: bytes) -> bytes:
    rest = len(data) % 8
    eights = np.frombuffer(data, dtype=np.uint8, offset=rest).reshape(-1, 8)
    return data[:rest] + eights.T.tobytes()


def _as_it_was(data: bytes) -> bytes:
    rest = len(data) % 8
    groups = np.frombuffer(data, dtype=np.uint8, offset=rest).reshape(8, -1)
    return data[:rest] + groups.T.tobytes()
