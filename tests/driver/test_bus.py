"""Slots, bytes and ROM commands: round trips counted, disturbed slots told, evidence kept."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.driver.bus import Bus
from harness.errors import ExtraEcho, NobodyAnswers, SlotDisturbed
from harness.wire.romcode import RomCode
from tests.read_rom import read_rom

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

ONE = RomCode.build(0x28, 0x0A1B2C)
READ_SCRATCHPAD, WRITE_SCRATCHPAD = b"\xbe", b"\x4e"

POWER_ON = bytes.fromhex("50 05 4B 46 7F FF 0C 10 1C")
"""Scratchpad after power-up with factory alarms; source: data sheet family 28h p. 3."""


def test_match_and_read_is_one_exchange_after_the_reset(bus_with: Make) -> None:
    """A known device is matched, told and read in one burst: two round trips, two rate changes."""
    with bus_with([ONE, RomCode.build(0x28, 2)]) as bus:
        assert bus.transact(ONE, READ_SCRATCHPAD, 9) == POWER_ON
        assert bus.traffic.as_dict() == {
            "resets": 1,
            "slots": 1 + 8 * (9 + 1 + 9),
            "bursts": 2,
            "rate_changes": 2,
        }


def test_skip_reaches_everybody(bus_with: Make) -> None:
    """Without a ROM code the command goes to all; equal answers stay whole."""
    with bus_with([ONE, RomCode.build(0x28, 2)]) as bus:
        assert bus.transact(None, READ_SCRATCHPAD, 9) == POWER_ON


def test_match_of_an_absent_code_is_answered_by_nobody(bus_with: Make) -> None:
    """Read slots that nobody answers are ones: the caller sees FFh, not an error."""
    with bus_with([ONE]) as bus:
        assert bus.transact(RomCode.build(0x28, 3), READ_SCRATCHPAD, 9) == b"\xff" * 9


def test_read_rom_of_the_only_device(bus_with: Make) -> None:
    """Read ROM returns the 64 bits of a single device.

    Source: device maker's application note 27, ROM code A2000001B81C02 in print form.
    """
    published = RomCode.parse("A200000001B81C02")
    assert published.crc_holds
    with bus_with([published]) as bus:
        assert read_rom(bus) == published


def test_read_rom_of_several_is_a_wired_and(bus_with: Make) -> None:
    """With several devices each bit is the AND of theirs; the CRC gives it away."""
    roms = [RomCode.build(0x28, 0x0F0F0F), RomCode.build(0x28, 0x3C3C3D)]
    with bus_with(roms) as bus:
        read = read_rom(bus)
    mixed = bytes(a & b for a, b in zip(roms[0].wire, roms[1].wire, strict=True))
    assert read.wire == mixed
    assert not read.crc_holds


def test_read_rom_of_an_empty_bus(bus_with: Make) -> None:
    """Nobody there is said before anything is read."""
    with bus_with([]) as bus, pytest.raises(NobodyAnswers):
        read_rom(bus)


@settings(
    derandomize=True,
    deadline=None,
    max_examples=25,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(values=st.lists(st.binary(min_size=2, max_size=2), min_size=1, max_size=6))
@pytest.mark.slow
def test_any_bytes_written_are_read_back(bus_with: Make, values: list[bytes]) -> None:
    """Whatever goes into the two alarm bytes of a scratchpad comes back, on each of two devices."""
    other = RomCode.build(0x28, 0x77)
    with bus_with([ONE, other]) as bus:
        for value in values:
            inverse = bytes(byte ^ 0xFF for byte in value)
            bus.transact(ONE, WRITE_SCRATCHPAD + value + b"\x7f")
            bus.transact(other, WRITE_SCRATCHPAD + inverse + b"\x1f")
            assert bus.transact(ONE, READ_SCRATCHPAD, 9)[2:5] == value + b"\x7f"
            assert bus.transact(other, READ_SCRATCHPAD, 9)[2:5] == inverse + b"\x1f"


def test_reading_on_without_a_reset(bus_with: Make) -> None:
    """A transaction can be read on in pieces; bits and bytes come in wire order."""
    with bus_with([ONE]) as bus:
        assert bus.transact(ONE, READ_SCRATCHPAD, 2) == POWER_ON[:2]
        assert bus.read(1) == POWER_ON[2:3]
        assert bus.read_bits(8) == [POWER_ON[3] >> place & 1 for place in range(8)]
        assert bus.read(5) == POWER_ON[4:]
        assert bus.read(2) == b"\xff\xff"


def test_single_bits(bus_with: Make) -> None:
    """Bits written one by one are a command like any other: supply query, external."""
    with bus_with([ONE]) as bus:
        bus.require_presence()
        command = [0xCC >> place & 1 for place in range(8)]
        command += [0xB4 >> place & 1 for place in range(8)]
        assert bus.write_bits_read(command, 1) == [1]


def test_resume_is_for_parts_that_have_it(bus_with: Make) -> None:
    """A thermometer has no resume: it stays silent, and nothing is invented."""
    with bus_with([ONE]) as bus:
        bus.transact(ONE, READ_SCRATCHPAD, 9)
        assert bus.resume(READ_SCRATCHPAD, 9) == b"\xff" * 9


def test_written_slot_that_comes_back_changed(rigged: Make) -> None:
    """A written slot whose echo differs names the count, the place and both bytes."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        port.write = lambda data: type(port).write(
            port, data[:5] + b"\xfe" + data[6:] if len(data) > 8 else data
        )
        with pytest.raises(
            SlotDisturbed, match=r"1 of 16 .* slot 6: sent FFh, got FEh"
        ):
            bus.write(b"\xff\xff")
        assert bus.evidence()["echoes"] == "FFFFFFFFFFFE" + "FF" * 10


def test_evidence_is_the_last_exchange(bus_with: Make) -> None:
    """Frames and graded echoes of the last exchange are kept, rate included."""
    with bus_with([ONE]) as bus:
        assert bus.evidence() == {}
        bus.require_presence()
        found = bus.evidence()
    assert found["sent"] == "F8"
    assert found["echoes"] in {"F0", "E0", "C0"}
    assert found["baud"] == bus.reset_frame.request_baud


def test_a_character_in_surplus_is_nobodys(rigged: Make) -> None:
    """A character that was not sent is an error: a device that powers up, or the adapter."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        bus.write(b"\xcc")
        port.foreign = b"\xf0"
        with pytest.raises(ExtraEcho, match="8 characters, 9 came back") as raised:
            bus.write(b"\x44")
        assert bus.evidence()["unsolicited"] == "F0"
    assert "comes and goes" in raised.value.hint
