"""Transponder numbers as readers write them: decimal, hexadecimal in three orders, telegram."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from legibility.errors import ChipError
from legibility.herd.chip import ChipCode, Issuer, reversed_bits, unpack
from legibility.herd.telegram import receive

HEX_ORDERS: Final = ("animal-first", "animal-last", "bytes-reversed")
"""Orders in which readers write the 64 bits: animal flag on the left; as sent, animal flag on the
right; the bytes of the first in the opposite order."""

_SPREADSHEET: Final = re.compile(r"\d[.,]\d*E\+?1[0-9]", re.IGNORECASE)
_DECIMAL: Final = re.compile(r"(\d{3})[ .\-]?(\d{12})(?:\.0+)?")
_DOT_HEX: Final = re.compile(r"([0-9A-F]{3})\.([0-9A-F]{10})", re.IGNORECASE)
_HEX: Final = re.compile(r"(?:0x)?((?:[0-9A-F]{2}[ :]?){8})", re.IGNORECASE)
_TELEGRAM: Final = re.compile(r"(?:0x)?((?:[0-9A-F]{8}[ :]?){4})", re.IGNORECASE)
_LONGEST: Final = 80


@dataclass(frozen=True, slots=True)
class ChipText:
    """A number as understood."""

    code: ChipCode
    form: str
    """``decimal``, ``dot-hex``, ``hex animal-first`` and so on, or ``telegram``."""
    crc_checked: bool = False
    """Whether a checksum was there and right. A right one says that the number was received
    whole (a wrong one passes with probability 2**-16), not that it is in the right animal."""


def parse_chip(text: str, *, hex_order: str = "") -> ChipText:
    """Understand a transponder number.

    Parameters
    ----------
    text : str
        15 digits (``999 000000112233``), 16 hexadecimal digits, ``3E7.1CBE991A14``, or a telegram
        of 32 hexadecimal digits.
    hex_order : str
        One of ``HEX_ORDERS``; empty lets the structure of the code decide, which is refused when
        more than one order makes sense.

    Raises
    ------
    ChipError
        If it is none of these, was cut by a spreadsheet, or has an impossible number.
    """
    shown = text.strip()
    if len(shown) > _LONGEST or not shown.isascii() or not shown:
        raise ChipError(f"{shown[:40]!r} is no transponder number; expected 15 digits")
    if _SPREADSHEET.fullmatch(shown):
        raise ChipError(
            f"{shown}: a spreadsheet has shortened a 15-digit number, and its last digits are "
            "lost; set the column to text there and export again from the reader's own file"
        )
    if found := _DECIMAL.fullmatch(shown):
        return ChipText(ChipCode(int(found[1]), int(found[2])), "decimal")
    if found := _DOT_HEX.fullmatch(shown):
        return ChipText(ChipCode(int(found[1], 16), int(found[2], 16)), "dot-hex")
    if found := _TELEGRAM.fullmatch(shown):
        return ChipText(receive(int(_plain(found[1]), 16)).code, "telegram", crc_checked=True)
    if found := _HEX.fullmatch(shown):
        return _parse_hex(shown, int(_plain(found[1]), 16), hex_order)
    if shown.isdigit():
        hint = (
            "; a leading zero may have been cut off: set the column to text and export again"
            if len(shown) < 15
            else ""
        )
        raise ChipError(f"{shown} has {len(shown)} digits; expected 15{hint}")
    raise ChipError(
        f"{shown!r} is no transponder number; expected 15 digits, 16 or 32 hexadecimal digits, or "
        "3E7.1CBE991A14"
    )


def _parse_hex(shown: str, bits: int, hex_order: str) -> ChipText:
    swapped = int.from_bytes(bits.to_bytes(8, "big"), "little")
    codes = dict(zip(HEX_ORDERS, map(unpack, (bits, reversed_bits(bits), swapped)), strict=True))
    if hex_order:
        if hex_order not in codes:
            raise ChipError(f"order is {hex_order!r}; expected one of {', '.join(HEX_ORDERS)}")
        return ChipText(codes[hex_order], f"hex {hex_order}")
    sensible = {name: code for name, code in codes.items() if _sensible(code)}
    if not sensible:
        raise ChipError(
            f"{shown}: in no order of its bits a code of ISO 11784 (country or manufacturer, "
            "reserved bits zero); if the reserved bits are in use, say in which order it is written"
        )
    if len({code.number for code in sensible.values()}) > 1:
        choices = " or ".join(f"{code.number} ({name})" for name, code in sensible.items())
        raise ChipError(f"{shown}: may be {choices}; say in which order the reader writes it")
    name, code = next(iter(sensible.items()))
    return ChipText(code, f"hex {name}")


def _sensible(code: ChipCode) -> bool:
    return code.reserved == 0 and code.issuer is not Issuer.NOBODY


def _plain(text: str) -> str:
    return re.sub(r"[ :]", "", text)
