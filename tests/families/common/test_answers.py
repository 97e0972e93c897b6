"""Proof of answers: check values, silence, two readings."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import CheckValueWrong, DeviceAbsent
from harness.families.common.answers import (
    read_records,
    read_twice,
    require_crc8,
    require_crc16,
    shown,
)
from tests.outside_crc import crc_16


@settings(derandomize=True)
@given(sent=st.binary(max_size=20), data=st.binary(min_size=1, max_size=40))
def test_a_right_crc16_lets_the_data_through(sent: bytes, data: bytes) -> None:
    """The check value covers command and answer (CRC-16 of the bus, independent library)."""
    check = crc_16(sent + data).to_bytes(2, "little")
    assert require_crc16(sent, data + check, what="block") == data


@settings(derandomize=True)
@given(
    data=st.binary(min_size=1, max_size=40),
    place=st.integers(min_value=0),
    sent=st.binary(max_size=8),
)
def test_any_flipped_bit_is_caught_by_crc16(
    data: bytes, place: int, sent: bytes
) -> None:
    """One wrong bit anywhere in data or check value is an error."""
    block = bytearray(data + crc_16(sent + data).to_bytes(2, "little"))
    place %= 8 * len(block)
    block[place // 8] ^= 1 << place % 8
    with pytest.raises((CheckValueWrong, DeviceAbsent)):
        require_crc16(sent, bytes(block), what="block")


def test_ones_alone_are_silence() -> None:
    """FFh throughout means that nobody drives, not that a check value is wrong."""
    with pytest.raises(DeviceAbsent, match="4 bytes of FFh"):
        require_crc16(b"\xaa\x00\x00", b"\xff" * 4, what="block")
    with pytest.raises(DeviceAbsent):
        require_crc8(b"\xaa", b"\xff" * 3, what="block")


def test_crc8_of_a_published_answer() -> None:
    """09h, F0h from 0000: 8Dh (read memory of part DS2502, computed by an independent CRC)."""
    assert require_crc8(b"\xf0\x00\x00", b"\x8d", what="opening") == b""
    with pytest.raises(CheckValueWrong, match="computed 8Dh"):
        require_crc8(b"\xf0\x00\x00", b"\x8c", what="opening")


def test_records_after_the_first_stand_alone(script: Callable[..., Any]) -> None:
    """43h, extended read of page 1's end and page 2 (part DS28EC20 p. 11, computed)."""
    answer = "DE AD BE EF 94 2C" + "FF" * 32 + "FE 5B"
    session = script(0x43, [("A5 3C 00", answer)])
    records = read_records(session, b"\xa5\x3c\x00", [4, 32], what="pages")
    assert records == [bytes.fromhex("DEADBEEF"), b"\xff" * 32]


def test_two_unlike_readings_are_an_error(script: Callable[..., Any]) -> None:
    """The message names how many bytes differ and where the first stands."""
    session = script(0x08, [])
    answers = iter([b"\x01\x02\x03", b"\x01\x06\x02"])
    with pytest.raises(CheckValueWrong, match=r"2 of 3 bytes.*byte 1: 02h, then 06h"):
        read_twice(session, lambda: next(answers), what="memory")


def test_ones_at_the_end_are_content_only_if_the_device_is_there(
    script: Callable[..., Any],
) -> None:
    """Blank memory and an unplugged part read alike; a directed search tells them apart."""
    session = script(0x08, [])
    assert read_twice(session, lambda: b"\x01\xff", what="memory") == b"\x01\xff"
    session.present = False
    with pytest.raises(DeviceAbsent):
        read_twice(session, lambda: b"\x01\xff", what="memory")


def test_a_long_row_is_cut() -> None:
    """Messages stay short."""
    assert shown(b"\x01\x02") == "01 02"
    assert shown(bytes(50)).endswith("00 .. (50 bytes)")


@pytest.mark.parametrize("place", [0, 7, 8, 13, 21])
def test_a_check_value_that_fits_another_address(place: int) -> None:
    """A device that heard an address one flip away answers rightly for that one."""
    sent, data = bytes([0xF0, 0xFF, 0x00]), bytes(range(8))
    heard = bytearray(sent)
    heard[place // 8] ^= 1 << place % 8
    answer = data + crc_16(bytes(heard) + data).to_bytes(2, "little")
    with pytest.raises(CheckValueWrong) as caught:
        require_crc16(sent, answer, what="page")
    assert caught.value.facts["heard"] == heard.hex(" ").upper()
    assert caught.value.cause == "noise"


@pytest.mark.parametrize("place", range(0, 80, 7))
def test_a_flip_in_the_answer_is_no_damaged_address(place: int) -> None:
    """Two flips never share a remainder in so short a block: its distance is 4."""
    sent, data = bytes([0xF0, 0xFF, 0x00]), bytes(range(8))
    answer = bytearray(data + crc_16(sent + data).to_bytes(2, "little"))
    answer[place // 8] ^= 1 << place % 8
    with pytest.raises(CheckValueWrong) as caught:
        require_crc16(sent, bytes(answer), what="page")
    assert not caught.value.facts
