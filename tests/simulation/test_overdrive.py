"""Overdrive in the device models, with raw frames: the rules of the data sheets DS2502 p. 12-17, DS1957 p. 19-20, DS2432 p. 30."""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING, Any

import pytest

from harness.simulation.devices.memories.eeprom import Eeprom2D
from harness.simulation.devices.registry import device_kinds
from harness.simulation.devices.time_bases import HeardLow, draw_overdrive
from harness.simulation.settings.device import BetweenResets, OverdriveTimeSettings
from harness.wire.romcode import RomCode

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

FAST_BAUD = 1_000_000
FAST_RESET_BAUD = 57_600
SHORT_LINE = {"pull_up_ohm": 1000, "cable_m": 0}
EEPROM = {"family": 0x2D, "serial": 0xA4B3C2D1}
RAM = {"family": 0x0C, "serial": 7}
THERMOMETER = {"family": 0x28, "serial": 9}


def host_with(make_host: MakeHost, *devices: dict[str, Any]) -> Host:
    """Devices on a line short enough for overdrive."""
    return make_host(*devices, line=SHORT_LINE)


def fast_reset(host: Host) -> int:
    """The echo of F8h at 57600 baud, low 69 us (arithmetic of an 8N1 character)."""
    return host.exchange(b"\xf8", baud=FAST_RESET_BAUD)[0]


def fast_write(host: Host, data: bytes) -> None:
    """Write at 1 MBd, 80h for a zero (arithmetic of an 8N1 character)."""
    frames = bytes(0xFF if b >> i & 1 else 0x80 for b in data for i in range(8))
    assert host.exchange(frames, baud=FAST_BAUD) == frames


def fast_read(host: Host, count: int) -> bytes:
    """Read at 1 MBd."""
    echoes = host.exchange(b"\xff" * (8 * count), baud=FAST_BAUD)
    return bytes(
        sum((echoes[8 * n + i] & 1) << i for i in range(8)) for n in range(count)
    )


def rom_of(host: Host, index: int = 0) -> RomCode:
    """The ROM code of a device."""
    rom = host.bench.stations[index].device.rom
    assert isinstance(rom, RomCode)
    return rom


def is_fast(host: Host, index: int = 0) -> bool:
    """True if a device, and its pin with it, runs in overdrive."""
    station = host.bench.stations[index]
    assert station.pin.is_fast == station.device.fast
    return station.device.fast


def test_kinds_that_know_overdrive() -> None:
    """Only kinds whose data sheets name the commands (DS2431 p. 7-8; DS2502 p. 12-17)."""
    knowing = {
        family
        for family, kind in device_kinds().items()
        if getattr(kind.model, "knows_overdrive", False)
    }
    assert {0x2D, 0x43, 0x0A, 0x0C, 0x0F, 0x3A} <= knowing
    assert not knowing & {0x01, 0x10, 0x22, 0x28, 0x14, 0x06, 0x08}


def test_drawn_times_lie_within_the_overdrive_limits() -> None:
    """Limits of overdrive: data sheets DS1996 p. 13-18, DS2431 p. 2-3, for 500 devices."""
    drawn = [draw_overdrive(OverdriveTimeSettings(), Random(s)) for s in range(500)]
    for name, low_us, high_us in (
        ("sample_us", 2, 6),
        ("read_0_us", 2, 6),
        ("presence_wait_us", 2, 6),
        ("presence_low_us", 8, 24),
        ("reset_min_us", 30, 48),
        ("min_low_us", 0, 1),
        ("hold_off_us", 0, 1),
    ):
        values = [getattr(each.times, name) for each in drawn]
        assert low_us <= min(values) <= max(values) <= high_us
    assert {each.between for each in drawn} == set(BetweenResets)


@pytest.mark.parametrize("index", [0, 1])
def test_overdrive_match_takes_its_code_in_overdrive(
    make_host: MakeHost, index: int
) -> None:
    """69h at standard speed, the 64 bits after it in overdrive (S10 S16)."""
    host = host_with(make_host, EEPROM, RAM)
    host.ask(b"\x69")
    fast_write(host, rom_of(host, index).wire)
    assert [is_fast(host, place) for place in range(2)] == [index == 0, index == 1]
    assert fast_reset(host) in {0xF0, 0xE0}
    fast_write(host, b"\x33")
    assert fast_read(host, 8) == rom_of(host, index).wire


def test_overdrive_skip_takes_all_who_can(make_host: MakeHost) -> None:
    """3Ch: every capable device; the others wait for a standard reset (S10 S16)."""
    host = host_with(make_host, EEPROM, THERMOMETER, RAM)
    host.ask(b"\x3c")
    assert [is_fast(host, place) for place in range(3)] == [True, False, True]
    assert fast_reset(host) in {0xF0, 0xE0}
    fast_write(host, b"\x33")
    both = zip(rom_of(host, 0).wire, rom_of(host, 2).wire, strict=True)
    assert fast_read(host, 8) == bytes(a & b for a, b in both)


def test_standard_devices_answer_no_overdrive_reset(make_host: MakeHost) -> None:
    """To them it is a write-0 (data sheets DS2502 p. 12-17, DS1957 p. 19-20, DS2432 p. 30)."""
    host = host_with(make_host, THERMOMETER)
    host.reset()
    assert fast_reset(host) == 0xF8
    # it was the first bit of a ROM command; 33h makes 66h of it, which is none
    host.write(b"\x33")
    assert host.read(8) == b"\xff" * 8


def test_overdrive_reset_keeps_and_standard_reset_leaves(make_host: MakeHost) -> None:
    """48..80 us stay, 480 us and more leave, with presence at the speed that is left."""
    host = host_with(make_host, EEPROM)
    host.ask(b"\x3c")
    for _ in range(3):
        assert fast_reset(host) in {0xF0, 0xE0}
        assert is_fast(host)
    assert host.reset() != 0xF8
    assert not is_fast(host)
    assert host.ask(b"\x33", 8) == rom_of(host).wire


def test_overdrive_survives_other_commands_but_not_power(make_host: MakeHost) -> None:
    """Speed is volatile state; after power-up it is standard (S16)."""
    host = make_host(EEPROM, line=SHORT_LINE, power={"supply_on": "rts"})
    host.ask(b"\x3c")
    assert is_fast(host)
    host.port.rts = False
    host.wait(0.05)
    host.port.rts = True
    host.wait(0.05)
    assert not is_fast(host)
    assert host.ask(b"\x33", 8) == rom_of(host).wire


def test_a_device_left_in_overdrive_answers_inside_slots(make_host: MakeHost) -> None:
    """Public reports, retold: a standard write-0 is an overdrive reset to it."""
    host = host_with(make_host, EEPROM | {"wakes_in_overdrive": True}, THERMOMETER)
    echoes = host.exchange(b"\x00\xff" * 20, baud=115_200)
    zeros, ones = echoes[::2], echoes[1::2]
    assert set(zeros) == {0x00}
    # its presence of 8..24 us, 2..6 us after the rise, reaches into the slot behind
    assert any(echo != 0xFF for echo in ones)
    assert host.reset() != 0xF8
    echoes = host.exchange(b"\x00\xff" * 20, baud=115_200)
    assert echoes[1::2] == b"\xff" * 20


def test_a_short_standard_reset_leaves_it_fast(make_host: MakeHost) -> None:
    """F28's cause: an adapter too fast pulls for less than the device needs to leave."""
    stubborn = EEPROM | {
        "wakes_in_overdrive": True,
        "time_base": {"reset_min_us": 478},
        "overdrive_times": {"between": "nothing"},
    }
    host = make_host(stubborn, line=SHORT_LINE, adapter={"kind": "exact"})
    # F0h at 10570 baud pulls for 473 us
    host.exchange(b"\xf0", baud=10_570)
    assert is_fast(host)
    host.exchange(b"\xf0", baud=10_000)
    assert not is_fast(host)


@pytest.mark.parametrize(
    ("between", "present", "fast"),
    [
        ("nothing", False, True),
        ("overdrive-reset", True, True),
        ("mute", False, True),
        ("mute-and-slow", False, False),
    ],
)
def test_a_low_between_the_resets_goes_wrong(
    make_host: MakeHost, between: str, present: bool, fast: bool
) -> None:
    """80..480 us is undefined for a device in overdrive (data sheets DS2502 p. 12-17, DS1957 p. 19-20, DS2432 p. 30)."""
    device = EEPROM | {
        "overdrive_times": {"between": between, "presence_low_us": 24},
        "time_base": {"reset_min_us": 400},
    }
    host = make_host(device, line=SHORT_LINE, adapter={"kind": "exact"})
    host.ask(b"\x3c")
    assert fast_reset(host) != 0xF8
    # F0h at 25000 baud pulls for 200 us and samples 20 us after release
    echo = host.exchange(b"\xf0", baud=25_000)
    assert (echo != b"\xf0") is present
    assert is_fast(host) is fast
    fast_write(host, b"\x33")
    answered = fast_read(host, 8) == rom_of(host).wire
    # to a device that takes it for nothing it was the first bit of a ROM command
    assert answered is (between == "overdrive-reset")


@pytest.mark.parametrize(
    ("low_us", "meaning"),
    [
        (16, HeardLow.SLOT),
        (48, HeardLow.OVERDRIVE_RESET),
        (80, HeardLow.OVERDRIVE_RESET),
        (480, HeardLow.RESET),
        (700, HeardLow.RESET),
    ],
)
def test_promised_lows_mean_the_same_to_every_device(
    low_us: float, meaning: HeardLow
) -> None:
    """Longest slot 16, reset 48..80, leave from 480 on (overdrive: data sheets DS1996 p. 13-18, DS2431 p. 2-3)."""
    for seed in range(200):
        times = draw_overdrive(OverdriveTimeSettings(), Random(seed))
        assert times.meaning(low_us, leave_us=470.0) is meaning


def test_a_setting_takes_overdrive_away(make_host: MakeHost) -> None:
    """A part without the second speed ignores 3Ch and waits for a reset."""
    host = host_with(make_host, EEPROM | {"overdrive": False})
    host.ask(b"\x3c")
    assert fast_reset(host) == 0xF8
    assert host.ask(b"\x33", 8) == rom_of(host).wire


def test_resume_keeps_the_speed(make_host: MakeHost) -> None:
    """A5h selects who was matched by 69h, still in overdrive (S8 S12)."""
    host = host_with(make_host, EEPROM, RAM)
    host.ask(b"\x69")
    fast_write(host, rom_of(host).wire)
    assert fast_reset(host) != 0xF8
    fast_write(host, b"\xa5\xf0\x85\x00")
    device = host.bench.stations[0].device
    assert isinstance(device, Eeprom2D)
    assert fast_read(host, 2) == bytes(device.cells[0x85:0x87])
