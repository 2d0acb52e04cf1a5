"""A packed reading comes back byte by byte, is smaller, and damage is named."""

from __future__ import annotations

import json
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.errors import StoreError
from legibility.store.packing import DICTIONARY, MAGIC, packed, unpacked


@given(st.text(st.characters(exclude_categories=["Cs"])), st.binary(max_size=100))
def test_every_byte_comes_back(detail: str, posterior: bytes) -> None:
    assert unpacked(packed(detail, posterior)) == (detail, posterior)


def test_zlib_alone_and_the_format_as_described_read_it() -> None:
    figures = np.arange(7, dtype="<f8")
    block = packed('{"a": 1}', b"xyz" + figures.tobytes())
    # RFC 1950 with its preset dictionary, taken apart by hand.
    data = zlib.decompressobj(zdict=DICTIONARY).decompress(block[len(MAGIC) :])
    assert int.from_bytes(data[:4], "little") == 8
    assert json.loads(data[4:12]) == {"a": 1}
    assert data[12:15] == b"xyz"
    groups = [data[15 + 7 * at : 15 + 7 * (at + 1)] for at in range(8)]
    assert [bytes(eight) for eight in zip(*groups, strict=True)] == [f.tobytes() for f in figures]


def test_it_is_smaller_than_zlib_on_the_plain_bytes() -> None:
    logp = np.random.default_rng(1).normal(-8, 2, 200).astype("<f8").tobytes()
    detail = json.dumps({"photo": "a.jpg", "reasons": [], "second_opinion": [], "measures": {}})
    plain = zlib.compress(detail.encode()) + zlib.compress(logp)
    assert len(packed(detail, logp)) < 0.95 * len(plain)


@pytest.mark.parametrize("cut", [0, 3, 4, 10, -1])
def test_damage_is_named(cut: int) -> None:
    with pytest.raises(StoreError, match="damaged"):
        unpacked(packed("{}", bytes(100))[:cut])


def test_a_changed_byte_is_found_by_the_checksum_of_the_stream() -> None:
    block = bytearray(packed("{}", bytes(range(200))))
    block[-1] ^= 1
    with pytest.raises(StoreError, match="damaged"):
        unpacked(bytes(block))
