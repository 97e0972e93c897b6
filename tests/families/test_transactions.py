"""Slots cut into commands by rows: real devices first, then whatever may come."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.families.command import Crc, Place, Span
from harness.families.registry import family_of, known_families
from harness.families.transactions import SeenCommand, commands_in

WITH_ROWS = [code for code in known_families() if family_of(code).commands]


def _bits(data: str) -> list[int]:
    return [byte >> n & 1 for byte in bytes.fromhex(data) for n in range(8)]


def _cut(code: int, data: str) -> list[SeenCommand]:
    return commands_in(_bits(data), family_of(code).commands)


# What real devices and their hosts put on the line behind a selection: logic-analyser
# recordings of the public-domain example collection sigrok-dumps (state of 2024-10, "all
# dump files are hereby released into the public domain"), named in the first column.
RECORDED = [
    (
        "two_thermometers_28h",
        0x28,
        "BE 82 01 4B 46 7F FF 0C 10 E1 4E 4B 46 1F 48",
        ["read scratchpad", "write scratchpad", "copy scratchpad"],
    ),
    ("two_thermometers_28h", 0x28, "44", ["convert"]),
    (
        "authenticator_33h",
        0x33,
        "0F 80 00 00 00 00 00 00 00 00 00 C8 03",
        ["write scratchpad"],
    ),
    (
        "authenticator_33h",
        0x33,
        "AA 80 00 5F 00 00 00 00 00 00 00 00 70 17",
        ["read scratchpad"],
    ),
    ("authenticator_33h", 0x33, "5A 80 00 5F AA", ["load first secret"]),
    (
        "authenticator_33h",
        0x33,
        "A5 00 00"
        + " 00" * 32
        + " FF 6D 0D 67 51 56 16 9D 7B 1B 89 35 64 1F D5 D4 1A 20"
        " 83 DA 43 E5 F3 5B A1",
        ["read authenticated page"],
    ),
    ("authenticator_33h", 0x33, "33 00 00 AA", ["compute next secret"]),
    (
        "authenticator_33h",
        0x33,
        "AA 00 00 5F AA AA AA AA AA AA AA AA A6 ED",
        ["read scratchpad"],
    ),
    ("octal_switch_29h_write", 0x29, "5A FF 00 AA", ["write ports"]),
    (
        "write_once_0Bh_whole_memory",
        0x0B,
        "A5 00 00 FF 9D 73" + " FF" * 32 + " FE 5B FF BF BF" + " FF" * 32 + " FE 5B",
        ["read memory with CRC"],
    ),
]


@pytest.mark.parametrize(
    ("recording", "code", "data", "names"),
    RECORDED,
    ids=[f"{r[0]} {r[2][:8]}" for r in RECORDED],
)
def test_recorded_transactions(
    recording: str, code: int, data: str, names: list[str]
) -> None:
    """Every byte of a real device has its place, and every CRC is right."""
    del recording
    found = _cut(code, data)
    assert [seen.command and seen.command.name for seen in found] == names
    assert all(seen.crcs_right and not seen.beyond for seen in found)
    spans = [p for seen in found for p in seen.pieces if isinstance(p.part, Span | Crc)]
    assert all(piece.whole for piece in spans)


def test_values_are_read() -> None:
    """24.125 degC of the first real thermometer (two_thermometers_28h, see above)."""
    block = _cut(0x28, RECORDED[0][2])[0].pieces[0]
    assert isinstance(block.part, Span)
    assert block.part.words is not None
    assert block.part.words(block.data).startswith("24.125 degC, 12 bit")


def test_memory_read_goes_on_page_by_page() -> None:
    """From the middle of a page to its end, a CRC, and a whole page with its own.

    Source: data sheet family 43h (part DS28EC20) p. 11 for the form; the CRCs of the row
    EF BE AD DE at 003Ch are those of an independent computation (see ``outside_crc``).
    """
    found = _cut(0x43, "A5 3C 00 DE AD BE EF 94 2C" + " FF" * 32 + " FE 5B")[0]
    assert found.crcs_right
    assert [piece.slots // 8 for piece in found.pieces] == [2, 4, 2, 32, 2]


def test_scratchpad_write_stops_short_or_is_answered() -> None:
    """The CRC follows only a write that fills the pad; three bytes are a whole command."""
    full = _cut(0x2D, "0F 20 00 01 02 03 04 05 06 07 08 3E 45")[0]
    short = _cut(0x2D, "0F 20 00 01 02 03")[0]
    assert full.crcs_right
    assert isinstance(full.pieces[-1].part, Crc)
    assert short.data("data") == b"\x01\x02\x03"
    assert not short.pieces[-1].whole


def test_a_wrong_crc_and_an_unknown_code_show() -> None:
    """One flipped bit, and a code that no row has."""
    assert not _cut(0x28, "BE 83 01 4B 46 7F FF 0C 10 E1")[0].crcs_right
    unknown = _cut(0x28, "68 00")[0]
    assert (unknown.command, unknown.code, len(unknown.beyond)) == (None, b"\x68", 8)


@pytest.mark.parametrize("code", WITH_ROWS, ids=lambda code: f"{code:02X}h")
@settings(max_examples=30)
@given(data=st.binary(max_size=60), cut=st.integers(0, 7), place=st.sampled_from(Place))
def test_any_slots_are_cut_whole(
    code: int, data: bytes, cut: int, place: Place
) -> None:
    """Whatever is on the line, each slot is in one place, in order, and nothing raises."""
    bits = _bits(data.hex())
    bits = bits[: len(bits) - cut] if bits else bits
    at = 0
    for seen in commands_in(bits, family_of(code).commands, place):
        assert seen.at == at
        at += 8 * len(seen.code)
        for piece in seen.pieces:
            assert piece.at == at
            at += piece.slots
        at += len(seen.beyond)
    assert at == len(bits) or len(bits) - at < 8
