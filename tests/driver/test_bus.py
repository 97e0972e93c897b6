"""Slots, bytes and ROM commands: round trips counted, disturbed slots told, evidence kept."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.driver.bus import Bus, RomCommand
from harness.driver.echo_proof import PATTERNS
from harness.driver.overdrive import overdrive_frames
from harness.errors import (
    EchoDamaged,
    EchoDoubtful,
    ExtraEcho,
    NobodyAnswers,
    SlotDisturbed,
)
from harness.wire.limits import OVERDRIVE_STRICT
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


# -- whose fault a failure is, on a port that can be rigged ------------------------------


def answering(port: Any, change: Callable[[bytes], bytes]) -> list[bytes]:  # noqa: ANN401
    """Every burst comes back changed so from now on; what was sent is kept."""
    sent: list[bytes] = []

    def write(data: bytes) -> int:
        sent.append(data)
        port.lose, port.foreign = len(data), change(data)
        return int(type(port).write(port, data))

    port.write = write
    return sent


@pytest.mark.parametrize(
    ("change", "late", "kind"),
    [
        # the loop is sound again, silent, or constantly low: the line stays suspected
        (bytes, b"", None),
        (bytes, b"\x00", None),
        (lambda data: b"", b"", None),
        (lambda data: b"\x00" * len(data), b"", None),
        # whatever else comes back no low line makes
        (lambda data: b"\x55" * len(data), b"", EchoDamaged),
        (lambda data: data[:-1] if len(data) > 8 else data, b"", EchoDoubtful),
        (bytes, b"\x00\x55", ExtraEcho),
    ],
)
def test_doubt_of_a_line_that_seems_low(
    rigged: Make,
    change: Callable[[bytes], bytes],
    late: bytes,
    kind: type[Exception] | None,
) -> None:
    """Silence and 00h agree with it; else the line is not held low after all."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        bus.begin_check()
        answering(port, change)
        bus._bursts.held_low = True
        if late:  # after the patterns: 8 bursts, each with a pause
            port.late = [(port.clock.now_s() + 1.9, late)]
        doubt = bus.doubt(low=True)
        assert type(doubt) is (kind or type(None))
        assert bus._bursts.held_low is (kind is None)


@pytest.mark.parametrize(("quick", "bursts"), [(False, 8), (True, 2)])
def test_patterns_after_a_failure(rigged: Make, quick: bool, bursts: int) -> None:
    """Eight bursts and every value; two where failures are many. In about 1.2 s and 0.3 s."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        sent = answering(port, bytes)
        begun_s = port.clock.now_s()
        assert bus.doubt(quick=quick) is None
        assert sent.count(PATTERNS) == bursts
        assert [len(data) for data in sent].count(256) == (not quick)
        took_s = port.clock.now_s() - begun_s
        assert took_s == pytest.approx(0.3 if quick else 1.2, abs=0.05)


def test_what_was_odd_is_a_doubt_until_the_next_check(rigged: Make) -> None:
    """Echoes in surplus, or two that no device makes; one alone may be noise."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        port._waiting += b"\x12"
        assert bus.begin_check() == b"\x12"
        for echoes, text in ((b"\x50\xff", None), (b"\x50\x50", "2 echoes of one burst")):  # fmt: skip
            answering(port, {b"\xff\xff": echoes}.__getitem__)
            bus.send(b"\xff\xff")
            answering(port, bytes)
            doubt = bus.doubt(quick=True)
            assert (doubt is None) is (text is None)
            assert text is None or text in str(doubt)
        bus.begin_check()
        assert bus.doubt(quick=True) is None
        port.late = [(port.clock.now_s() + 0.01, b"\x13")]
        bus.await_late()
        assert "1 burst came back" in str(bus.doubt(quick=True))
        bus.begin_check()
        bus.await_late()
        assert bus.doubt(quick=True) is None
        port.late = [(port.clock.now_s() + 0.04, b"\x14\x15")]
        assert "2 characters came after the echo was whole (14 15)" in str(bus.doubt())


def test_characters_that_wait_though_every_echo_is_in(rigged: Make) -> None:
    """They are told at once, eight at most; nothing waits: nothing came late."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        bus.write(b"\xcc")
        assert bus.came_late() is None
        port._waiting += bytes(range(0x10, 0x19))
        assert (
            "9 characters came after the echo was whole (10 11 12 13 14 15 16 17)"
            in (str(bus.came_late()))
        )
    assert bus.begin_check() == b""  # a closed port has nothing to say
    bus.await_late()


def test_slots_are_slowed_down_step_by_step(rigged: Make) -> None:
    """Each candidate leaves two per cent more of half a bit, until ones come back whole."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        before = bus.slots
        tried: list[float] = []

        def change(data: bytes) -> bytes:
            tried.append(1e6 / port.baudrate)
            return data if len(tried) == 4 else b"\xfe" * len(data)

        sent = answering(port, change)
        found = bus.fitted(before)
        assert set(sent) == {b"\xff" * 32}
        assert tried[0] == pytest.approx(before.one.bit_us, rel=1e-3)
        for one, other in pairwise(tried):
            assert 1.019 * one < other < 1.2 * one  # what the grid has next
        assert found.one.bit_us == pytest.approx(tried[-1], rel=1e-3)
        assert "slowed down" in found.reason
        assert bus.slots is before
        answering(port, bytes)
        assert bus.fitted(before) is before


def test_the_standard_frames_outlast_any_change_in_overdrive(rigged: Make) -> None:
    """Frames may be set twice in overdrive: the way back leads to those before the first."""
    adapter, _ = rigged()
    with adapter.open():
        bus = Bus(adapter)
        standard = (bus.slots, bus.reset_frame)
        fast = overdrive_frames(adapter.grid)
        strict = overdrive_frames(adapter.grid, OVERDRIVE_STRICT)
        bus.use_overdrive(*fast)
        bus.use_overdrive(*strict)
        assert (bus.slots, bus.reset_frame) == strict
        assert bus.is_overdrive
        bus.use_standard()
        assert (bus.slots, bus.reset_frame) == standard
        bus.use_standard()
        assert (bus.slots, bus.reset_frame) == standard


def test_one_byte_is_eight_slots_and_a_match_is_counted(rigged: Make) -> None:
    """Nothing but what was asked for goes out; there is a device that matches change."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        sent = answering(port, bytes)
        bus.write(b"\x0f")
        zero = bus.slots.write_0_byte
        assert sent == [b"\xff" * 4 + bytes([zero]) * 4]
        assert bus.selection(None) == b"\xcc"
        assert bus.selection(ONE) == b"\x55" + ONE.wire
        assert bus.selection(ONE)[:1] == b"\x55"
        assert bus.matches == {str(ONE): 2}
        bus.forget_last()
        assert bus.evidence() == {}


def test_published_rom_commands() -> None:
    """Source: data sheet family 28h p. 10-11; of overdrive and resume, part DS28EC20."""
    assert {command.name: int(command) for command in RomCommand} == {
        "READ": 0x33, "MATCH": 0x55, "SKIP": 0xCC, "SEARCH": 0xF0,
        "CONDITIONAL_SEARCH": 0xEC, "RESUME": 0xA5, "OVERDRIVE_SKIP": 0x3C,
        "OVERDRIVE_MATCH": 0x69,
    }  # fmt: skip
