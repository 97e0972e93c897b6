"""Devices that are not found, or found where there are none: faults of public reports, retold."""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING, Any

import pytest

from harness.wire.crc import crc8
from harness.wire.romcode import RomCode

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

BASE_LINE = {"pull_up_ohm": 4700, "cable_m": 5, "cable_pf_per_m": 51}
"""About 0.3 nF with the adapter's and one device's pin."""


def thermometer(serial: int, **more: object) -> dict[str, Any]:
    """A thermometer in a socket A<serial>."""
    return {"family": 0x28, "serial": serial, "socket": f"A{serial}", **more}


def search_once(host: Host) -> tuple[bytes, int]:
    """One pass that always takes the 0 branch: code, and positions with two zeros."""
    host.ask(b"\xf0")
    code = forks = 0
    for place in range(64):
        bit, complement = host.bits(b"\xff\xff")
        forks += bit == complement == 0
        code |= bit << place
        host.bits(b"\xff" if bit else b"\x00")
    return code.to_bytes(8, "little"), forks


def test_f06_low_line_makes_zeros_and_forks(make_host: MakeHost) -> None:
    """Too slow from the search command on: 64 forks of 64, code 00 x 8, check right."""
    wet = {"kind": "extra-capacitance", "extra_nf": 15}
    wet["when"] = {"command": 0xF0, "wait_ms": 0.08}
    host = make_host(thermometer(1), faults=[wet])
    code, forks = search_once(host)
    assert (code, forks, crc8(code)) == (bytes(8), 64, 0)


def test_f06_empty_bus_gives_ones(make_host: MakeHost) -> None:
    """Read-ROM with nobody there: FF x 8, whose check byte would have to be 14h."""
    host = make_host()
    host.reset()
    host.write(b"\x33")
    assert host.read(8) == b"\xff" * 8
    assert crc8(b"\xff" * 7) == 0x14


def test_f07_flipped_bits_rarely_pass_the_check(make_host: MakeHost) -> None:
    """0.3 % of read slots (half of the spikes matter): 1 - 0.997^64 = 17 % of codes."""
    flips = {"kind": "bit-flips", "probability": 0.006}
    host = make_host(thermometer(0xA5C3_96B4_5AE1), faults=[flips])
    right = host.bench.stations[0].device.rom.wire
    seen = [host.ask(b"\x33", 8) for _ in range(300)]
    wrong = [code for code in seen if code != right]
    assert 25 < len(wrong) < 85
    assert sum(crc8(code) == 0 for code in wrong) < 3


STEPPING = {
    "threshold_low_v": 1.9,
    "time_base": {"hold_off_us": 0.1, "min_low_us": 0.2},
}
"""A pin with little hysteresis, that believes in short edges."""


@pytest.mark.slow
def test_f08_dip_in_a_branch_costs_one_device_its_step(make_host: MakeHost) -> None:
    """2 % of releases: device 3 is lost in most scans, the others hardly ever.

    A dip counts only where a pause follows a written 0; before that the device is
    still busy with its slot. Out of step it may yet pull into a slot of another.
    """
    dips = {"kind": "branch-dips", "device": "A3", "probability": 0.02}
    devices = [thermometer(n, **STEPPING) for n in range(1, 5)]
    host = make_host(*devices, line=BASE_LINE, faults=[dips])
    names = {str(s.device.rom): s.socket for s in host.bench.stations}
    found = [names[code] for _ in range(10) for code in host.search()]
    assert min(found.count(name) for name in ("A1", "A2", "A4")) >= 8
    assert 0 < found.count("A3") < 6


def test_f08_hysteresis_rides_over_the_dip(make_host: MakeHost) -> None:
    """The same dips do nothing to a pin that takes 0.8 V for low."""
    dips = {"kind": "branch-dips", "device": "A3", "probability": 1.0}
    host = make_host(thermometer(3), line=BASE_LINE, faults=[dips])
    assert host.ask(b"\xcc\xbe", 2) == b"\x50\x05"


def test_f09_equal_codes_collide(make_host: MakeHost) -> None:
    """Open-drain AND of both blocks; alike they agree, apart the check byte is wrong."""
    one, other = "91014b467fff0f1025", "9e014b467fff021056"
    code = str(RomCode.build(0x28, 0xC3174A))
    devices = [
        {"family": 0x28, "rom_code": code, "temperature_degc": degc}
        for degc in (25.0625, 25.875)
    ]
    host = make_host(*devices)
    both = bytes(
        a & b for a, b in zip(bytes.fromhex(one), bytes.fromhex(other), strict=True)
    )
    assert host.convert() == both == bytes.fromhex("90014b467fff021004")
    assert crc8(both) != 0
    alike = make_host(devices[0], devices[0])
    assert alike.convert() == bytes.fromhex(one)


def test_f09_read_rom_on_a_shared_bus(make_host: MakeHost) -> None:
    """The AND of two codes keeps the family."""
    host = make_host(thermometer(0xC3174A), thermometer(0xC30A4A))
    codes = [station.device.rom.wire for station in host.bench.stations]
    read = host.ask(b"\x33", 8)
    assert read == bytes(a & b for a, b in zip(*codes, strict=True))
    assert read[0] == 0x28
    assert crc8(read) != 0


SURGE = {"kind": "ground-lift", "side": "adapter", "ohm": 1, "current_ma": 4000}


def test_f10_slipped_slot_passes_the_check(make_host: MakeHost) -> None:
    """A surge lifts the adapter's ground by 4 V: it sees a 0 that no device counted."""
    surge = SURGE | {"for_s": 30e-6, "when": {"command": 0xBE, "slot": 1, "times": 1}}
    device = thermometer(1, temperature_degc=25.0625)
    host = make_host(device, faults=[surge])
    slipped = host.convert()
    assert slipped == bytes.fromhex("2203968cfefe1f204a")
    assert crc8(slipped) == 0
    assert host.ask(b"\xcc\xbe", 9) == bytes.fromhex("91014b467fff0f1025")


def test_f10_slipped_code_is_of_another_family(make_host: MakeHost) -> None:
    """28h shifted by a slot is 50h, and its check byte is right too."""
    surge = SURGE | {"for_s": 30e-6, "when": {"command": 0x33, "slot": 1}}
    host = make_host({"family": 0x28, "rom_code": "5200000AC3174A28"}, faults=[surge])
    code = host.ask(b"\x33", 8)
    assert code.hex() == "50942e86150000a4"
    assert crc8(code) == 0


def test_f10_half_of_all_codes_are_blind_to_it() -> None:
    """A check that starts at 0 cannot see a leading 0 if the last bit is 0."""
    random = Random(1)
    passed = 0
    for _ in range(2000):
        code = RomCode.build(0x28, random.randrange(1 << 48)).wire
        slipped = int.from_bytes(code, "little") << 1
        passes = crc8((slipped & (1 << 64) - 1).to_bytes(8, "little")) == 0
        assert passes == (slipped >> 64 == 0)
        passed += passes
    assert 900 < passed < 1100
