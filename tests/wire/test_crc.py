"""Check values against published vectors and two independent libraries."""

import pytest
from anycrc import CRC  # type: ignore[import-untyped]
from crccheck.crc import (  # type: ignore[import-untyped]
    Crc8Base,
    Crc16Base,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.wire.crc import crc8, crc16, crc16_holds, crc16_sent

SEEDED = settings(derandomize=True, deadline=None)


class LibraryCrc8(Crc8Base):  # type: ignore[misc]  # the library has no types
    """Parameters of the catalogue's entry for polynomial 31h, reflected, in full."""

    _poly, _initvalue = 0x31, 0x00
    _reflect_input, _reflect_output, _xor_output = True, True, 0x00


class LibraryCrc16(Crc16Base):  # type: ignore[misc]  # the library has no types
    """Parameters of the catalogue's CRC-16 without final inversion (CRC-16/ARC)."""

    _poly, _initvalue = 0x8005, 0x0000
    _reflect_input, _reflect_output, _xor_output = True, True, 0x0000


# Catalogue of parametrised CRC algorithms, check values for "123456789".
CATALOGUE_CRC8, CATALOGUE_CRC16 = 0xA1, 0xBB3D


def test_check_string() -> None:
    """Both registers hold the catalogue's check values after "123456789"."""
    assert crc8(b"123456789") == CATALOGUE_CRC8
    assert crc16(b"123456789") == CATALOGUE_CRC16
    # sent inverted and low byte first: 44C2h as bytes C2 44
    assert crc16_sent(b"123456789") == bytes.fromhex("C244")


def test_rom_code_of_the_application_note() -> None:
    """The ROM code printed in application note 27 checks out byte by byte."""
    assert crc8(bytes.fromhex("021CB801000000")) == 0xA2
    assert crc8(bytes.fromhex("021CB801000000A2")) == 0
    # fed in printed order, CRC first, the seven bytes give something else
    assert crc8(bytes.fromhex("A200000001B81C")) == 0xE3


# Codewords of the catalogue's CRC-16/ARC entry: payload, then the true CRC, low byte first.
CODEWORDS = (
    "F20183E1C2",
    "0FAA0055E30B",
    "00FF5511CF6C",
    "332255AABBCCDDEEFF98AE",
    "926B554EE2",
    "FFFFFFFF0194",
    "000000000000",
)


@pytest.mark.parametrize("codeword", CODEWORDS)
def test_catalogue_codewords(codeword: str) -> None:
    """Each published codeword leaves the register at zero."""
    assert crc16(bytes.fromhex(codeword)) == 0


# Scratchpads of thermometers: power-on value from the data sheet (part DS18B20),
# and blocks published by users of such parts.
BLOCKS = (
    "50054B467FFF0C101C",
    "F4004B467FFF0C10FA",
    "F3004B467FFF0D10EE",
    "F6004B467FFF0A10D6",
    "98014B467FFF081022",
    "AA00B4B9FFFF0C1018",
)


@pytest.mark.parametrize("block", BLOCKS)
def test_published_scratchpads(block: str) -> None:
    """Each published scratchpad ends in its CRC-8."""
    assert crc8(bytes.fromhex(block)) == 0


@SEEDED
@given(st.binary(max_size=64))
def test_crc8_equals_two_libraries(data: bytes) -> None:
    """Any bytes: ours, crccheck and anycrc agree on CRC-8."""
    model = CRC(8, 0x31, 0, True, True, 0)
    assert crc8(data) == LibraryCrc8.calc(data) == model.calc(data)


@SEEDED
@given(st.binary(max_size=64))
def test_crc16_equals_two_libraries(data: bytes) -> None:
    """Any bytes: ours, crccheck and anycrc agree on CRC-16."""
    model = CRC(16, 0x8005, 0, True, True, 0)
    assert crc16(data) == LibraryCrc16.calc(data) == model.calc(data)


@SEEDED
@given(st.binary(min_size=1, max_size=40), st.data())
def test_crc16_catches_any_single_flip(data: bytes, draw: st.DataObject) -> None:
    """A block with its sent check bytes holds; with one bit flipped it never does."""
    block = data + crc16_sent(data)
    assert crc16_holds(block)
    place = draw.draw(st.integers(0, len(block) * 8 - 1))
    spoiled = bytearray(block)
    spoiled[place // 8] ^= 1 << place % 8
    assert not crc16_holds(spoiled)


def test_blind_spot_of_zeros() -> None:
    """Nine zero bytes have a right CRC-8, so the CRC alone proves nothing."""
    assert crc8(bytes(9)) == 0
    # an open line is caught: seven FFh would need 14h
    assert crc8(b"\xff" * 7) == 0x14
