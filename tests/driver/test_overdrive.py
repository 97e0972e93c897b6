"""Into overdrive and out of it, over a simulated line with the devices' own rules."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pytest
import serial

from harness.driver.adapter import Adapter
from harness.driver.bus import Bus
from harness.driver.overdrive import (
    enter_overdrive,
    leave_overdrive,
    overdrive,
    overdrive_frames,
)
from harness.driver.port_rates import set_rate
from harness.driver.search import enumerate_devices, verify
from harness.errors import CannotOverdrive, NobodyAnswers
from harness.wire.clock_grid import GRIDS
from harness.wire.limits import OVERDRIVE_STRICT
from harness.wire.romcode import RomCode
from harness.wire.slots.frames import Presence
from tests.read_rom import read_rom

if TYPE_CHECKING:
    from tests.driver.conftest import Opening, RiggedPort

FAST = [RomCode.build(family, serial) for family, serial in ((0x2D, 5), (0x0C, 6))]
SLOW = RomCode.build(0x28, 7)
LINE = {"pull_up_ohm": 1000, "cable_m": 0}


def devices(*roms: RomCode, **more: object) -> list[dict[str, Any]]:
    return [{"family": r.family, "rom_code": str(r), **more} for r in roms]


def mixed() -> list[dict[str, Any]]:
    return devices(*FAST, SLOW)


def speeds(bus: Bus) -> list[bool]:
    return [station.device.fast for station in bus.adapter.port.bench.stations]


@pytest.mark.parametrize(
    "kind", ["fractional-divider", "integer-divider", "rate-table", "prescaled-divider"]
)
def test_everybody_who_can_is_found_in_overdrive(bus_with: Opening, kind: str) -> None:
    """Overdrive skip, then a whole search there, on each common chip class."""
    with bus_with([], devices=mixed(), line=LINE, kind=kind) as bus:
        with overdrive(bus):
            assert bus.slots.limits.name == "overdrive"
            found = enumerate_devices(bus)
        assert sorted(found.found) == sorted(FAST)
        assert found.rejected == []
        assert not bus.is_overdrive
        assert speeds(bus) == [False] * 3
        assert sorted(enumerate_devices(bus).found) == sorted([*FAST, SLOW])


def test_one_device_alone(bus_with: Opening) -> None:
    """Overdrive match brings one along; the others take no part until the reset."""
    with bus_with([], devices=mixed(), line=LINE) as bus:
        with overdrive(bus, FAST[0]):
            assert speeds(bus) == [True, False, False]
            assert verify(bus, FAST[0])
            assert not verify(bus, FAST[1])
            assert read_rom(bus) == FAST[0]
            # read memory from 0085h: its factory byte is 55h (data sheet DS2431 p. 7-8)
            assert len(bus.transact(FAST[0], b"\xf0\x85\x00", 2)) == 2
        assert verify(bus, SLOW)


def test_presence_is_judged_by_overdrive_limits(bus_with: Opening) -> None:
    """2..6 us of wait and 8..24 us of low are a good presence there."""
    with bus_with([], devices=devices(FAST[0]), line=LINE) as bus:
        assert enter_overdrive(bus).presence is Presence.SEEN
        assert bus.reset().presence is Presence.SEEN
        assert leave_overdrive(bus).presence is Presence.SEEN


def test_strict_slots_have_two_stop_bits(bus_with: Opening) -> None:
    """13 us slots with 5 us of recovery want 8N2; a changed format costs a change."""
    with bus_with([], devices=devices(FAST[0]), line=LINE, kind="exact") as bus:
        with overdrive(bus, limits=OVERDRIVE_STRICT):
            assert bus.slots.stop_bits == 2
            assert bus.slots.slot_us >= 13
            assert verify(bus, FAST[0])
            port = bus.adapter.port
            assert port.stopbits == 2
            assert bus.evidence()["stop_bits"] == 2
            before = bus.traffic.rate_changes
            bus.exchange(b"\xff", bus.slots.request_baud, 1)
            assert bus.traffic.rate_changes == before + 1
            assert port.stopbits == 1
            character_us = port.bench.core.framing.character_us
            assert character_us == pytest.approx(10 * bus.slots.one.bit_us, rel=0.01)
        bus.reset()
        assert port.stopbits == 1


def test_a_device_that_cannot_stays_behind(bus_with: Opening) -> None:
    """No presence in overdrive is told as such, and the bus is back at standard speed."""
    with bus_with([], devices=devices(SLOW), line=LINE) as bus:
        with pytest.raises(NobodyAnswers, match="no device answers in overdrive"):
            enter_overdrive(bus)
        with pytest.raises(NobodyAnswers, match=f"{SLOW} does not answer in"):
            enter_overdrive(bus, SLOW)
        assert not bus.is_overdrive
        assert verify(bus, SLOW)


def test_an_absent_device_cannot_come_along(bus_with: Opening) -> None:
    """69h with a ROM code that nobody has leaves all at standard speed."""
    with bus_with([], devices=mixed(), line=LINE) as bus:
        with pytest.raises(NobodyAnswers):
            enter_overdrive(bus, RomCode.build(0x2D, 99))
        assert speeds(bus) == [False] * 3


def test_a_run_finds_a_device_that_was_left_in_overdrive(bus_with: Opening) -> None:
    """Public reports, retold: the first reset is a standard one, before any written 0."""
    left = devices(FAST[0], wakes_in_overdrive=True)
    with bus_with([], devices=[*left, *devices(SLOW)], line=LINE) as bus:
        assert speeds(bus) == [True, False]
        bus.prove()
        assert speeds(bus) == [False, False]
        assert sorted(enumerate_devices(bus).found) == sorted([FAST[0], SLOW])
        assert speeds(bus) == [False, False]


def _stumble_in_overdrive(bus: Bus) -> None:
    with overdrive(bus):
        assert speeds(bus) == [True, True, False]
        raise KeyError("anything")


def test_whatever_ends_overdrive_the_devices_are_taken_back(bus_with: Opening) -> None:
    """An error inside leaves by a standard reset and stays the error that it is."""
    with bus_with([], devices=mixed(), line=LINE) as bus:
        with pytest.raises(KeyError):
            _stumble_in_overdrive(bus)
        assert not bus.is_overdrive
        assert speeds(bus) == [False] * 3


def test_entering_twice_starts_anew(bus_with: Opening) -> None:
    """Going on with another device takes the first back: one at a time."""
    with bus_with([], devices=mixed(), line=LINE) as bus:
        enter_overdrive(bus, FAST[0])
        enter_overdrive(bus, FAST[1])
        assert speeds(bus) == [False, True, False]
        leave_overdrive(bus)
        assert bus.slots.limits.name == "standard"


def test_an_adapter_that_is_too_slow_says_why() -> None:
    """Customary rates end at 115200 baud; overdrive needs 750000 (arithmetic of an 8N1 character)."""
    with pytest.raises(CannotOverdrive, match="at least 750000 baud"):
        overdrive_frames(GRIDS["unknown"])
    with pytest.raises(CannotOverdrive, match="breaks recovery"):
        overdrive_frames(GRIDS["rate-table"], OVERDRIVE_STRICT)


@pytest.mark.parametrize("cable_m", [10, 50])
def test_a_line_that_rises_too_slowly_is_refused(
    bus_with: Opening, cable_m: float
) -> None:
    """Half a bit at 1 MBd is 0.5 us of rise: 4.7 kohm bears 0.2 nF (arithmetic of pull-up and capacitance)."""
    line = {"pull_up_ohm": 4700, "cable_m": cable_m}
    with bus_with([], devices=devices(FAST[0]), line=line) as bus:
        bus.prove()
        with pytest.raises(CannotOverdrive, match="rises too slowly"):
            enter_overdrive(bus)
        assert not bus.is_overdrive
        assert verify(bus, FAST[0])


def test_slots_slow_down_for_the_line_where_they_can(bus_with: Opening) -> None:
    """750 to 1000 kbaud: at 0.6 us of rise the fastest slots give way to slower ones."""
    line = {"pull_up_ohm": 2200, "cable_m": 16}
    with bus_with([], devices=devices(FAST[0]), line=line) as bus:
        fastest = overdrive_frames(bus.adapter.grid)[0]
        with overdrive(bus):
            assert bus.slots.baud < fastest.baud
            assert "slowed down" in bus.slots.reason
            assert verify(bus, FAST[0])


def test_stop_bits_go_to_a_port_that_is_no_tty(
    rigged: Callable[..., tuple[Adapter, RiggedPort]],
) -> None:
    """The format changes with the rate, and back."""
    adapter, port = rigged()
    with adapter.open():
        adapter.exchange(b"\xff", 800_000, 2)
        assert (port.baudrate, port.stopbits) == (800_000, 2)
        changes = port.calls.count("baudrate")
        adapter.exchange(b"\xff", 800_000, 2)
        assert port.calls.count("baudrate") == changes
        adapter.exchange(b"\xff", 800_000)
        assert (port.baudrate, port.stopbits) == (800_000, 1)


@pytest.mark.unix
def test_stop_bits_go_to_a_tty() -> None:
    """Rate and format are set in one call; the other end of a pty sees both."""
    from harness.simulation.servers.tty import Pty, Speed

    pty = Pty()
    port = serial.Serial(pty.path)
    try:
        for baud, stop_bits in ((800_000, 2), (960_000, 1)):
            set_rate(port, baud, stop_bits)
            assert pty.speed() == Speed(baud=baud, stop_bits=stop_bits)
    finally:
        port.close()
        pty.close()
