"""The 128 bits that a full-duplex transponder sends (ISO 11785), with their checksum.

As sent: 11 header bits (ten 0, one 1); 64 code bits, least significant first, a control bit 1 after
every 8; 16 checksum bits likewise with 2 control bits; 24 bits of the additional block likewise
with 3. So 11 + 72 + 18 + 27 = 128. The checksum covers the 64 code bits only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from legibility.errors import ChipError
from legibility.herd.chip import ChipCode, pack, reversed_bits, unpack

HEADER: Final = "00000000001"
TELEGRAM_BITS: Final = 128
_POLYNOMIAL_REFLECTED: Final = 0x8408
"""x^16 + x^12 + x^5 + 1 (0x1021), for bits that arrive least significant first."""


@dataclass(frozen=True, slots=True)
class Telegram:
    """A telegram whose checksum is right."""

    code: ChipCode
    crc: int
    extension: int
    """24 bits of the additional block, 0 when there is none."""


def crc16(data: bytes) -> int:
    """Checksum of ISO 11785: 0x1021, start 0x0000, reflected in and out, no final exclusive or.

    The catalogue of parametrised CRC algorithms calls it CRC-16/KERMIT.

    Examples
    --------
    >>> hex(crc16(b"123456789"))
    '0x2189'
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (_POLYNOMIAL_REFLECTED if crc & 1 else 0)
    return crc


def code_crc(code: ChipCode) -> int:
    """Checksum of a code: over its 8 bytes in the order they are sent."""
    return crc16(pack(code).to_bytes(8, "little"))


def send(code: ChipCode, *, extension: int = 0) -> int:
    """Telegram of a code as a 128-bit integer, the first bit sent on the left.

    Raises
    ------
    ChipError
        If the extension has more than 24 bits.
    """
    if not 0 <= extension < 2**24:
        raise ChipError(f"the additional block is {extension:#x}; expected at most 24 bits")
    body = (
        _sent(pack(code), width=64) + _sent(code_crc(code), width=16) + _sent(extension, width=24)
    )
    with_control = "".join(body[at : at + 8] + "1" for at in range(0, len(body), 8))
    return int(HEADER + with_control, 2)


def receive(bits: int) -> Telegram:
    """Content of a telegram, the first bit sent on the left.

    Raises
    ------
    ChipError
        If header or control bits are wrong, or the checksum is not that of the code.
    """
    text = f"{bits:0{TELEGRAM_BITS}b}"
    if len(text) != TELEGRAM_BITS:
        raise ChipError(f"a telegram has 128 bits; found {len(text)}")
    if not text.startswith(HEADER):
        raise ChipError(f"a telegram begins with {HEADER}; found {text[: len(HEADER)]}")
    body = text[len(HEADER) :]
    if set(body[8::9]) != {"1"}:
        raise ChipError("a telegram has a 1 after every 8 bits; at least one is missing")
    data = "".join(body[at : at + 8] for at in range(0, len(body), 9))
    code = unpack(_received(data[:64]))
    crc = _received(data[64:80])
    if crc != code_crc(code):
        raise ChipError(
            f"checksum of the telegram is {crc:04X}, that of {code.number} is "
            f"{code_crc(code):04X}: it was not received whole; read it again"
        )
    return Telegram(code, crc, _received(data[80:]))


def _sent(value: int, *, width: int) -> str:
    """Bits of a value, least significant first."""
    return f"{reversed_bits(value, width=width):0{width}b}"


def _received(bits: str) -> int:
    return int(bits[::-1], 2)
