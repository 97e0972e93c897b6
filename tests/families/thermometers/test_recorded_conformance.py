"""What a recorded thermometer is held against (data sheet family 28h, p. 8-9)."""

from __future__ import annotations

import pytest

from harness.families.registry import built_in
from harness.families.thermometers.recorded_conformance import RecordedThermometer
from harness.families.transactions import commands_in
from harness.wire.crc import crc8

WIRE = bytes.fromhex("2801020304000000")  # INVENTED; its CRC is not looked at


def _notes(*transactions: str) -> list[str]:
    device = RecordedThermometer(WIRE)
    rows = built_in().family_of(0x28).commands
    for text in transactions:
        data = bytes.fromhex(text)
        if data[0] == 0xBE:
            data += bytes([crc8(data[1:])])
        bits = [byte >> n & 1 for byte in data for n in range(8)]
        for seen in commands_in(bits, rows):
            device.feed(seen)
    return list(device.notes())


@pytest.mark.parametrize(
    ("written", "read"),
    [("00", "1F"), ("1F", "1F"), ("FF", "7F"), ("60", "7F"), ("3F", "3F")],
)
def test_bits_that_cannot_be_written_read_as_the_sheet_has_them(
    written: str, read: str
) -> None:
    assert _notes(f"4E 4B46{written}", f"BE 9101 4B46{read} FF0F10") == []


def test_a_resolution_that_is_not_taken() -> None:
    (note,) = _notes("4E 4B461F", "BE 9101 4B467F FF0F10")
    assert "configuration 1Fh was written and 7Fh is read back" in note


def test_what_was_recalled_or_lost_is_held_against_nothing() -> None:
    """The stored configuration may be another than the one that was written."""
    assert _notes("4E 4B461F", "B8", "BE 9101 4B467F FF0F10") == []
    assert _notes("4E 4B461F", "BE 5005 4B467F FF0C10", "BE 9101 4B467F FF0F10") == []


def test_byte_6_is_judged_at_12_bit_alone() -> None:
    """At a coarser resolution the last bits of a reading are undefined."""
    assert _notes("BE 9101 4B461F FF0C10") == []
    (note,) = _notes("BE 9101 4B467F FF0C10")
    assert "byte 6 is 0Ch" in note
