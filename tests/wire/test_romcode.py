"""ROM codes: order of bytes and bits, print form, what cannot be."""

import copy

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.wire.romcode import RomCode

SEEDED = settings(derandomize=True, deadline=None)


def test_printed_form_of_the_application_note() -> None:
    """A2 00 00 00 01 B8 1C 02 as printed in application note 27, both ways."""
    code = RomCode.parse("A200000001B81C02")
    assert code.wire == bytes.fromhex("021CB801000000A2")
    assert code.family == 0x02
    assert code.serial == 0x00000001B81C
    assert code.crc_holds
    assert str(code) == "A200000001B81C02"


# Serial D1 C2 B3 A4 00 00 in several families, CRCs by two independent libraries.
@pytest.mark.parametrize(
    ("family", "check"),
    [(0x01, 0x1E), (0x28, 0x3D), (0x10, 0xD8), (0x22, 0xB6), (0x81, 0x89)],
)
def test_same_serial_in_several_families(family: int, check: int) -> None:
    """The CRC covers the family code too."""
    code = RomCode.build(family, 0x0000A4B3C2D1)
    assert code.wire == bytes([family]) + bytes.fromhex("D1C2B3A40000") + bytes([check])


@SEEDED
@given(st.integers(0, 255), st.integers(0, 2**48 - 1))
def test_round_trips(family: int, serial: int) -> None:
    """Print and parse, bits and back give the same code; a built code always holds."""
    code = RomCode.build(family, serial)
    assert RomCode.parse(str(code)) == code
    assert RomCode.from_bits(code.bits) == code
    assert (code.family, code.serial) == (family, serial)
    assert code.crc_holds
    assert copy.deepcopy(code) == code


def test_first_bit_on_the_wire_is_the_lowest_of_the_family() -> None:
    """Family 01h starts with a one and seven zeros (data sheet, part DS2401)."""
    assert RomCode.build(0x01, 0).bits[:8] == (1, 0, 0, 0, 0, 0, 0, 0)


def test_all_zero_is_no_device() -> None:
    """Eight zero bytes have a right CRC and still cannot be a device."""
    code = RomCode(bytes(8))
    assert code.crc_holds
    assert not code.is_possible


@pytest.mark.parametrize("text", ["", "28", "zz00000000000000", "28" * 9])
def test_not_sixteen_digits(text: str) -> None:
    """Anything but 16 hex digits is refused with what is wanted."""
    with pytest.raises(ValueError, match="16 hex digits"):
        RomCode.parse(text)
