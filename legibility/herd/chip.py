"""Transponder codes by ISO 11784: 64 bits, of which 48 are the number people write.

Bit 1 of the standard is the most significant here and is sent last: animal flag (1), reserved (14),
additional data block (1), country or manufacturer (10), national identification (38).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from legibility.errors import ChipError

LARGEST_NATIONAL_ID: Final = 2**38 - 1
"""ISO 11784: 38 bits, so 274 877 906 943 at most; most numbers of 12 digits are impossible."""
LAST_COUNTRY: Final = 899
FIRST_MANUFACTURER: Final = 900
TEST_RANGE: Final = 999
"""001 to 899 are numeric countries of ISO 3166-1, 900 to 998 manufacturers, 999 is for tests
(ISO 11784; the boundary between countries and manufacturers from memory)."""

_RESERVED_BITS: Final = 14
_COUNTRY_BITS: Final = 10
_NATIONAL_BITS: Final = 38


class Issuer(StrEnum):
    """Who gave out a number, by its first three digits."""

    COUNTRY = "country"
    MANUFACTURER = "manufacturer"
    TEST = "test"
    NOBODY = "nobody"
    """000, or a 10-bit value above 999 that has no written form."""


@dataclass(frozen=True, slots=True)
class ChipCode:
    """Content of the 64 bits."""

    country: int
    """0..1023: three digits as written, country or manufacturer."""
    national_id: int
    """0..2**38 - 1."""
    is_animal: bool = True
    has_data_block: bool = False
    reserved: int = 0
    """0..2**14 - 1; retagging counter and user information in later editions. 0 in a plain code."""

    def __post_init__(self) -> None:
        """Refuse what does not fit into the bits."""
        if not 0 <= self.country < 2**_COUNTRY_BITS:
            raise ChipError(f"country code is {self.country}; expected 0 to 1023 (10 bits)")
        if not 0 <= self.national_id <= LARGEST_NATIONAL_ID:
            raise ChipError(
                f"national number is {self.national_id:012d}; expected at most "
                f"{LARGEST_NATIONAL_ID} (38 bits): no transponder can have this number"
            )
        if not 0 <= self.reserved < 2**_RESERVED_BITS:
            raise ChipError(f"reserved bits are {self.reserved}; expected 0 to 16383 (14 bits)")

    @property
    def number(self) -> str:
        """The 15 digits that people write."""
        return f"{self.country:03d}{self.national_id:012d}"

    @property
    def issuer(self) -> Issuer:
        """Who gave the number out."""
        if self.country == TEST_RANGE:
            return Issuer.TEST
        if FIRST_MANUFACTURER <= self.country < TEST_RANGE:
            return Issuer.MANUFACTURER
        return Issuer.COUNTRY if 1 <= self.country <= LAST_COUNTRY else Issuer.NOBODY


def pack(code: ChipCode) -> int:
    """The 64 bits as an integer, animal flag on the left.

    Examples
    --------
    >>> hex(pack(ChipCode(999, 112233)))
    '0x8000f9c00001b669'
    """
    return (
        int(code.is_animal) << 63
        | code.reserved << 49
        | int(code.has_data_block) << 48
        | code.country << _NATIONAL_BITS
        | code.national_id
    )


def unpack(bits: int) -> ChipCode:
    """Code of 64 bits, animal flag on the left.

    Raises
    ------
    ChipError
        If there are more than 64 bits.
    """
    if not 0 <= bits < 2**64:
        raise ChipError(f"a transponder code has 64 bits; found {bits:#x}")
    return ChipCode(
        country=bits >> _NATIONAL_BITS & 2**_COUNTRY_BITS - 1,
        national_id=bits & LARGEST_NATIONAL_ID,
        is_animal=bool(bits >> 63),
        has_data_block=bool(bits >> 48 & 1),
        reserved=bits >> 49 & 2**_RESERVED_BITS - 1,
    )


def reversed_bits(bits: int, *, width: int = 64) -> int:
    """Bits in the opposite order: as sent (least significant first) and as written.

    Examples
    --------
    >>> hex(reversed_bits(0x8000F9C00001B669))
    '0x966d8000039f0001'
    """
    return int(f"{bits:0{width}b}"[::-1], 2)


def identity_problem(code: ChipCode, *, allow_test: bool = False) -> str:
    """Why a number cannot stand for one animal; empty when it can.

    Parameters
    ----------
    allow_test : bool
        Accept test numbers, for trying the program out on invented animals.
    """
    if code.issuer is Issuer.TEST and not allow_test:
        return (
            f"{code.number} is a test number (999): anyone may use it, so that it identifies nobody"
        )
    if code.issuer is Issuer.NOBODY:
        return (
            f"{code.number} begins with {code.country:03d}, which is neither a country (001 to "
            "899) nor a manufacturer (900 to 998)"
        )
    if not code.is_animal:
        return f"{code.number} has the animal flag off: it is a transponder of some other thing"
    if code.national_id == 0:
        return f"{code.number} has nothing behind the first three digits: a blank transponder"
    return ""


def code_notices(code: ChipCode) -> tuple[str, ...]:
    """What is allowed but worth knowing of a code."""
    notices = []
    if code.reserved:
        notices.append(
            f"{code.number}: the reserved bits are not zero ({code.reserved:#06x}): a retagging "
            "counter or user information"
        )
    if code.has_data_block:
        notices.append(f"{code.number}: says that an additional data block follows")
    return tuple(notices)
