"""Transponder codes against published traces.

Vectors: A and B are traces of two transponders recorded in public fixtures of an RFID tool
(``lf_ATA5577_fdxb_animal``: "Animal trace: CRC DC48", "Extended trace: CRC 4198 ... extension
0x16A"); C is the worked example of a public format note on transponder codes (decimal, two hex
orders, dot hex). Its checksum, and the full telegrams of A and B, were computed from the layout of
ISO 11785 with other code than the package's.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from legibility.errors import ChipError
from legibility.herd.chip import (
    LARGEST_NATIONAL_ID,
    ChipCode,
    Issuer,
    code_notices,
    identity_problem,
    pack,
    reversed_bits,
    unpack,
)
from legibility.herd.chiptext import HEX_ORDERS, parse_chip
from legibility.herd.telegram import code_crc, crc16, receive, send

A = ChipCode(999, 112233)
B = ChipCode(999, 112233, is_animal=False, has_data_block=True)
C = ChipCode(999, 123456789012)

codes = st.builds(
    ChipCode,
    st.integers(1, 999),
    st.integers(0, LARGEST_NATIONAL_ID),
    st.booleans(),
    st.booleans(),
    st.integers(0, 2**14 - 1),
)


def written_forms(code: ChipCode) -> dict[str, str]:
    """A code in each form that :func:`parse_chip` understands, but for the telegram."""
    bits = pack(code)
    return {
        "decimal": code.number,
        "dot-hex": f"{code.country:03X}.{code.national_id:010X}",
        "hex animal-first": f"{bits:016X}",
        "hex animal-last": f"{reversed_bits(bits):016X}",
        "hex bytes-reversed": bits.to_bytes(8, "little").hex().upper(),
    }


@pytest.mark.parametrize(
    ("code", "bits", "crc"),
    [(A, 0x8000F9C00001B669, 0xDC48), (B, 0x0001F9C00001B669, 0x4198)],
)
def test_published_traces(code: ChipCode, bits: int, crc: int) -> None:
    assert pack(code) == bits
    assert unpack(bits) == code
    assert code_crc(code) == crc


def test_vector_a_in_the_byte_orders_it_was_published_in() -> None:
    assert pack(A).to_bytes(8, "little") == bytes.fromhex("69B60100C0F90080")
    assert f"{reversed_bits(pack(A)):016X}" == "966D8000039F0001"
    assert A.number == "999000000112233"


def test_vector_c_in_its_four_forms() -> None:
    assert written_forms(C) == {
        "decimal": "999123456789012",
        "dot-hex": "3E7.1CBE991A14",
        "hex animal-first": "8000F9DCBE991A14",
        "hex animal-last": "2858997D3B9F0001",
        "hex bytes-reversed": "141A99BEDCF90080",
    }
    assert code_crc(C) == 0xB70B


def test_check_value_of_the_catalogue_of_crc_algorithms() -> None:
    # CRC-16/KERMIT: check("123456789") = 0x2189.
    assert crc16(b"123456789") == 0x2189


@pytest.mark.parametrize(
    ("code", "extension", "words"),
    [
        (A, 0, "0032D6DC 0402079F 80406253 B8040201"),
        (B, 0x16A, "0032D6DC 0402079F C0402338 2AB60201"),
    ],
)
def test_full_telegrams(code: ChipCode, extension: int, words: str) -> None:
    bits = int(words.replace(" ", ""), 16)
    assert send(code, extension=extension) == bits
    received = receive(bits)
    assert (received.code, received.extension) == (code, extension)
    understood = parse_chip(words)
    assert (understood.code, understood.form, understood.crc_checked) == (code, "telegram", True)


@settings(deadline=None)
@given(codes)
def test_packing_loses_nothing(code: ChipCode) -> None:
    assert unpack(pack(code)) == code
    assert receive(send(code)).code == code


@settings(deadline=None)
@given(codes, st.integers(11, 127))
def test_a_flipped_bit_of_the_code_is_noticed(code: ChipCode, place: int) -> None:
    telegram = send(code) ^ 1 << (127 - place)
    if place < 101:
        with pytest.raises(ChipError):
            receive(telegram)
    elif (place - 11) % 9 == 8:
        with pytest.raises(ChipError, match="after every 8"):
            receive(telegram)
    else:
        # Trace B shows that the checksum does not cover the additional block.
        assert receive(telegram).code == code


@settings(deadline=None)
@given(st.integers(1, 999), st.integers(1, LARGEST_NATIONAL_ID), st.sampled_from(HEX_ORDERS))
def test_every_form_is_understood(country: int, national_id: int, order: str) -> None:
    code = ChipCode(country, national_id)
    forms = written_forms(code)
    for form in ("decimal", "dot-hex"):
        assert parse_chip(forms[form]).code == code
    assert parse_chip(forms[f"hex {order}"], hex_order=order).code == code
    try:
        alone = parse_chip(forms[f"hex {order}"])
    except ChipError as error:
        assert "say in which order" in str(error)  # noqa: PT017
    else:
        assert alone.code == code


@pytest.mark.parametrize("text", ["276000312312345", "840003123456789"])
def test_numbers_of_the_registration_authority_are_kept_as_they_are(text: str) -> None:
    # Examples of an ICAR list of animal identifiers: Germany and the United States.
    understood = parse_chip(text)
    assert understood.code.number == text
    assert understood.code.issuer is Issuer.COUNTRY
    assert identity_problem(understood.code) == ""


@pytest.mark.parametrize(
    "text", ["999 000000112233", "999-000000112233", "999.000000112233", " 999000000112233.0 "]
)
def test_separators(text: str) -> None:
    assert parse_chip(text).code == A


@pytest.mark.parametrize("text", ["0x966D8000039F0001", "69:B6:01:00:C0:F9:00:80"])
def test_hex_orders_are_told_by_the_structure(text: str) -> None:
    assert parse_chip(text).code == A


def test_an_order_that_cannot_be_told_is_asked_for() -> None:
    # By hand: with bits 1 to 14 zero and bit 16 set, the reversed bits are a code as well, of
    # manufacturer or country 512 (bit 16 becomes the highest of the ten).
    code = ChipCode(276, 1 << 16)
    text = written_forms(code)["hex animal-first"]
    with pytest.raises(ChipError, match="say in which order"):
        parse_chip(text)
    assert parse_chip(text, hex_order="animal-first").code == code
    assert parse_chip(text, hex_order="animal-last").code.country == 512


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("9.85E+14", "spreadsheet"),
        ("9,85112E+14", "spreadsheet"),
        ("840999999999999", "at most 274877906943"),
        ("56000000112233", "leading zero"),
        ("9990000001122334", "in no order"),
        ("99900000011223345", "17 digits"),
        ("", "expected 15 digits"),
        ("AB/123", "no transponder number"),
        ("0032D6DC 0402079F 80406253 B8040200", "after every 8"),
        ("0032D6DD 0402079F 80406253 B8040201", "checksum"),
        ("F032D6DC 0402079F 80406253 B8040201", "begins with"),
    ],
)
def test_what_cannot_be_a_number_is_named(text: str, reason: str) -> None:
    with pytest.raises(ChipError, match=reason):
        parse_chip(text)


def test_the_largest_national_number_fits_and_one_more_does_not() -> None:
    # ICAR: 274.877.906.944 codes, 0 to 274 877 906 943.
    assert parse_chip("840274877906943").code.national_id == 274_877_906_943
    with pytest.raises(ChipError):
        parse_chip("840274877906944")


@pytest.mark.parametrize(
    ("code", "reason"),
    [
        (A, "test number"),
        (ChipCode(0, 5), "neither a country"),
        (ChipCode(1001, 5), "neither a country"),
        (ChipCode(276, 5, is_animal=False), "animal flag"),
        (ChipCode(276, 0), "blank"),
    ],
)
def test_what_identifies_nobody(code: ChipCode, reason: str) -> None:
    assert reason in identity_problem(code)


def test_test_numbers_are_accepted_when_asked_for() -> None:
    assert identity_problem(A, allow_test=True) == ""


@pytest.mark.parametrize(
    ("country", "issuer"),
    [(1, "country"), (899, "country"), (900, "manufacturer"), (998, "manufacturer")],
)
def test_ranges_of_issuers(country: int, issuer: str) -> None:
    assert ChipCode(country, 1).issuer == issuer


def test_reserved_bits_are_reported_and_not_refused() -> None:
    code = ChipCode(276, 5, reserved=3)
    assert identity_problem(code) == ""
    assert "reserved bits" in code_notices(code)[0]


@pytest.mark.parametrize("wrong", [{"country": 1024}, {"national_id": 2**38}, {"reserved": 2**14}])
def test_what_does_not_fit_into_the_bits(wrong: dict[str, int]) -> None:
    with pytest.raises(ChipError):
        ChipCode(**{"country": 276, "national_id": 1, **wrong})
