"""Nine bytes of a thermometer: published tables read right, and nothing else passes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import AnswerImpossible, CheckValueWrong, DeviceAbsent, DeviceError
from harness.families.thermometers.own_constants import hold_to_own
from harness.families.thermometers.thermometer import prove
from harness.wire.crc import crc8
from harness.wire.romcode import RomCode
from tests.families.conftest import Script

CONFIGURED = [
    (125.0, 0x07D0),
    (85.0, 0x0550),
    (25.0625, 0x0191),
    (10.125, 0x00A2),
    (0.5, 0x0008),
    (0.0, 0x0000),
    (-0.5, 0xFFF8),
    (-10.125, 0xFF5E),
    (-25.0625, 0xFE6F),
    (-55.0, 0xFC90),
]
"""Temperature and register; source: data sheet family 28h (part DS18B20), Table 1."""

FIXED_RESOLUTION = [
    (85.0, 0x00AA),
    (25.0, 0x0032),
    (0.5, 0x0001),
    (0.0, 0x0000),
    (-0.5, 0xFFFF),
    (-25.0, 0xFFCE),
    (-55.0, 0xFF92),
    (125.0, 0x00FA),
]
"""Source: data sheets family 10h (parts DS18S20, and DS1820 for 125 degC), table."""

DUMPS = [
    (0x28, "50 05 4B 46 7F FF 0C 10 1C", 85.0),
    (0x28, "91 01 4B 46 7F FF 0F 10 25", 25.0625),
    (0x28, "5E FF 4B 46 7F FF 02 10 B6", -10.125),
    (0x28, "D0 07 4B 46 7F FF 10 10 55", 125.0),
    (0x28, "90 FC 4B 46 7F FF 10 10 EE", -55.0),
    (0x28, "50 05 4B 46 7F FF 10 10 BD", 85.0),
    (0x28, "F4 00 4B 46 7F FF 0C 10 FA", 15.25),
    (0x28, "F3 00 4B 46 7F FF 0D 10 EE", 15.1875),
    (0x28, "F6 00 4B 46 7F FF 0A 10 D6", 15.375),
    (0x28, "98 01 4B 46 7F FF 08 10 22", 25.5),
    (0x22, "91 01 4B 46 7F FF 0F 10 25", 25.0625),
    (0x10, "AA 00 4B 46 FF FF 0C 10 87", 85.0),
    (0x10, "33 00 4B 46 FF FF 06 10 CF", 25.375),
    (0x10, "FF FF 4B 46 FF FF 04 10 BC", -0.5),
    (0x10, "CE FF 4B 46 FF FF 0C 10 75", -25.0),
    (0x10, "AA 00 B4 B9 FF FF 0C 10 18", 85.0),
]
"""Whole blocks, CRC included; source: tables of parts DS18B20 p. 4 and DS18S20 p. 4 and users' dumps, CRC by an independent program."""


def block(
    family: int,
    register: int,
    *,
    bits: int = 12,
    high: int = 75,
    low: int = 70,
    tail: bytes | None = None,
) -> bytes:
    """A right block for a register value."""
    config = bytes([(bits - 9) << 5 | 0x1F, 0xFF])
    if tail is None:
        tail = b"\x0c\x10" if family == 0x10 else bytes([0x10 - (register & 15), 0x10])
    middle = b"\xff\xff" if family == 0x10 else config
    body = (
        register.to_bytes(2, "little") + bytes([high & 255, low & 255]) + middle + tail
    )
    return body + bytes([crc8(body)])


@pytest.mark.parametrize("family", [0x28, 0x22])
@pytest.mark.parametrize(("degc", "register"), CONFIGURED)
def test_published_table_of_the_configurable(
    family: int, degc: float, register: int
) -> None:
    """Each row of the table reads as printed, and is the nearest sixteenth of its value."""
    assert prove(block(family, register), family).temperature_degc == degc
    assert round(degc * 16) & 0xFFFF == register


@pytest.mark.parametrize(("degc", "register"), FIXED_RESOLUTION)
def test_published_table_of_the_fixed(degc: float, register: int) -> None:
    """Each row reads as printed where COUNT_REMAIN lies in the middle of its half degree."""
    # half degrees: remain 0Ch stands for the even ones, 04h for the odd ones
    remain = 0x04 if register & 1 else 0x0C
    data = block(0x10, register, tail=bytes([remain, 0x10]))
    assert prove(data, 0x10).temperature_degc == degc


@pytest.mark.parametrize(("family", "text", "degc"), DUMPS)
def test_whole_blocks(family: int, text: str, degc: float) -> None:
    """Blocks with their published check byte are whole and read right."""
    proved = prove(bytes.fromhex(text), family)
    assert proved.temperature_degc == degc


@pytest.mark.parametrize(
    ("bits", "config", "longest_ms", "degc"),
    [
        (9, 0x1F, 93.75, 25.0),
        (10, 0x3F, 187.5, 25.25),
        (11, 0x5F, 375.0, 25.375),
        (12, 0x7F, 750.0, 25.4375),
    ],
)
def test_resolution(bits: int, config: int, longest_ms: float, degc: float) -> None:
    """Resolution sets step and longest time; bits below it are undefined and masked.

    Source: data sheet family 28h, Table 2 and p. 8.
    """
    data = block(0x28, 0x0197, bits=bits)  # 25.4375 with all low bits set
    assert data[4] == config
    proved = prove(data, 0x28)
    assert proved.resolution_bits == bits
    assert proved.conversion_ms == longest_ms
    assert proved.temperature_degc == degc


@pytest.mark.parametrize("family", [0x28, 0x22, 0x10])
def test_alarm_bytes_are_signed(family: int) -> None:
    """TH and TL are whole degrees in two's complement."""
    for high, low in ((75, 70), (-1, -55), (127, -128)):
        assert prove(block(family, 0x32, high=high, low=low), family).alarm_degc == (
            high,
            low,
        )


def test_extended_formula() -> None:
    """T = whole - 0.25 + (COUNT_PER_C - COUNT_REMAIN) / COUNT_PER_C, bit 0 dropped.

    Source: data sheet family 10h (part DS18S20) p. 4.
    """
    for whole in (-55, -1, 0, 1, 84, 124):
        for remain in range(17):
            data = block(0x10, (2 * whole) & 0xFFFF, tail=bytes([remain, 0x10]))
            expected = whole - 0.25 + (16 - remain) / 16
            assert prove(data, 0x10).temperature_degc == expected


def test_power_on_value_is_known_from_a_true_85() -> None:
    """Byte 6 tells the power-on image (0Ch) from a conversion that ended at 85 (10h).

    Source: data sheet family 28h p. 3 for the image; byte 6 after a conversion as
    reported by users.
    """
    image = bytes.fromhex("50 05 4B 46 7F FF 0C 10 1C")
    true = bytes.fromhex("50 05 4B 46 7F FF 10 10 BD")
    assert prove(image, 0x28).is_power_on_value
    assert not prove(true, 0x28).is_power_on_value
    assert prove(bytes.fromhex("AA 00 4B 46 FF FF 0C 10 87"), 0x10).is_power_on_value


@pytest.mark.parametrize("family", [0x28, 0x22, 0x10])
def test_nine_zeros(family: int) -> None:
    """Nine zero bytes have a right CRC and are a line held low, never 0 degC."""
    assert crc8(bytes(9)) == 0
    with pytest.raises(AnswerImpossible, match="nine zero bytes") as raised:
        prove(bytes(9), family)
    assert "short" in raised.value.hint


@pytest.mark.parametrize("family", [0x28, 0x22, 0x10])
def test_nine_ones(family: int) -> None:
    """All ones is nobody answering, not a check error."""
    with pytest.raises(DeviceAbsent, match="no device drives"):
        prove(b"\xff" * 9, family)


@pytest.mark.parametrize("family", [0x28, 0x22, 0x10])
@pytest.mark.parametrize("place", range(72))
def test_every_single_flipped_bit_is_caught(family: int, place: int) -> None:
    """One wrong bit of 72 never passes: the CRC sees every one of them."""
    data = bytearray(block(family, 0x0191 if family != 0x10 else 0x33))
    data[place // 8] ^= 1 << place % 8
    with pytest.raises(CheckValueWrong, match="check byte"):
        prove(bytes(data), family)


@pytest.mark.parametrize("family", [0x28, 0x22])
@pytest.mark.parametrize(("place", "value"), [(5, 0x00), (5, 0xFE), (7, 0xAA), (7, 0)])
def test_constants_of_a_device(
    script: Callable[..., Any], family: int, place: int, value: int
) -> None:
    """Constants other than the data sheet's are held as the device's own if they stay.

    Source: public survey texts on clone 28h thermometers. What changes them afterwards,
    to the data sheet's too, is no block of this device.
    """
    body = bytearray(block(family, 0x0191)[:8])
    body[place] = value
    odd = bytes(body) + bytes([crc8(bytes(body))])
    session = script(family, [])
    hold_to_own(session, odd, read_again=lambda: odd)
    assert session.notes
    hold_to_own(session, odd, read_again=lambda: odd)
    with pytest.raises(AnswerImpossible, match="not those of this device"):
        hold_to_own(session, block(family, 0x0191), read_again=lambda: odd)
    moved = script(family, [])
    with pytest.raises(AnswerImpossible, match="not those of this device"):
        hold_to_own(moved, odd, read_again=lambda: block(family, 0x0191))


@pytest.mark.parametrize("config", [0xFF, 0x00, 0x7E, 0x9F, 0x0F])
def test_fixed_bits_of_the_configuration(config: int) -> None:
    """The configuration byte is 0xx11111, whatever its CRC says."""
    body = bytearray(block(0x28, 0x0191)[:8])
    body[4] = config
    with pytest.raises(AnswerImpossible, match="fixed bits"):
        prove(bytes(body) + bytes([crc8(bytes(body))]), 0x28)


@pytest.mark.parametrize("tail", [b"\x00\x00", b"\x11\x10", b"\xff\x10", b"\x0c\x00"])
def test_counters_that_cannot_be(tail: bytes) -> None:
    """COUNT_PER_C is never zero and COUNT_REMAIN never above it."""
    with pytest.raises(AnswerImpossible, match="COUNT"):
        prove(block(0x10, 0x32, tail=tail), 0x10)


def slipped(data: bytes) -> bytes:
    """The block as read one slot too early: a 0 in front, the last bit lost."""
    return ((int.from_bytes(data, "little") << 1) & ((1 << 72) - 1)).to_bytes(
        9, "little"
    )


def test_published_slip() -> None:
    """The doubled reading of the field: 22 03 96 8C FE FE 1F 20 4A has a right CRC and is refused.

    Source: users' reports of doubled readings; the bytes computed.
    """
    data = slipped(bytes.fromhex("91 01 4B 46 7F FF 0F 10 25"))
    # the printed example ends its check byte at 4A: a slip whose lost bit was 0
    assert data == bytes.fromhex("22 03 96 8C FE FE 1F 20 4A")
    assert crc8(data) == 0
    with pytest.raises(AnswerImpossible):
        prove(data, 0x28)


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=400)
@given(
    family=st.sampled_from([0x28, 0x22, 0x10]),
    sixteenths=st.integers(-55 * 16, 125 * 16),
    high=st.integers(-128, 127),
    low=st.integers(-128, 127),
    bits=st.integers(9, 12),
)
def test_no_slipped_slot_passes(
    family: int, sixteenths: int, high: int, low: int, bits: int
) -> None:
    """A slot slipped in front of any block is refused, also where the CRC stays right.

    Half of all slips pass the CRC: a CRC that starts at 0 does not see a 0 in front.
    """
    if family == 0x10:
        # as the part makes it: whole degrees from the counters
        whole, above = divmod(sixteenths + 4, 16)
        register = (2 * whole + (above >= 8)) & 0xFFFF
        data = block(
            family, register, high=high, low=low, tail=bytes([16 - above, 0x10])
        )
    else:
        data = block(family, sixteenths & 0xFFFF, high=high, low=low, bits=bits)
    assert prove(data, family).temperature_degc == pytest.approx(
        sixteenths / 16, abs=0.5
    )
    session: Any = Script([], rom=RomCode.build(family, 1))
    hold_to_own(session, data, read_again=lambda: data)
    with pytest.raises(DeviceError):
        hold_to_own(session, prove(slipped(data), family).data, read_again=lambda: data)


def test_slipped_rom_code_has_no_known_family() -> None:
    """A slip in a ROM code keeps a right CRC and turns family 28h into 50h.

    Source: users' reports of ROM codes of family 50h; the bytes computed.
    """
    rom = RomCode(bytes.fromhex("28 4A 17 C3 0A 00 00 52"))
    moved = RomCode(bytes.fromhex("50 94 2E 86 15 00 00 A4"))
    assert rom.crc_holds
    assert moved.crc_holds
    assert moved.family == 0x50 != rom.family


@settings(derandomize=True, deadline=None, max_examples=200)
@given(data=st.binary(min_size=9, max_size=9), family=st.sampled_from([0x28, 0x10]))
def test_garbage_raises_ours_or_reads_in_range(data: bytes, family: int) -> None:
    """Any nine bytes are a block with right CRC and fixed bits, or one of our errors."""
    try:
        proved = prove(data, family)
    except DeviceError:
        return
    assert crc8(proved.data) == 0
