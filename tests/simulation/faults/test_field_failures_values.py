"""Values that look fine but are not, as the bench makes them.

Public reports, retold; blocks as reported or built for the case, their CRC recomputed
here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from harness.wire.crc import crc8

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

POWER_ON = bytes.fromhex("50054b467fff0c101c")
READ_AFTER = {"command": 0xBE, "wait_ms": 0.085}
"""A moment after the last slot of the read command."""


def thermometer(serial: int = 1, **more: object) -> dict[str, Any]:
    """A thermometer at 25.0625 degC."""
    given = {"family": 0x28, "serial": serial, "temperature_degc": 25.0625}
    return {**given, "socket": f"A{serial}", "conversion_ms": 600, **more}


def pad_of(host: Host, index: int = 0) -> bytes:
    """The block of one device, which it is asked for by its ROM code."""
    rom = host.bench.stations[index].device.rom
    return host.ask(b"\x55" + rom.wire + b"\xbe", 9)


@pytest.mark.parametrize(
    "block",
    [
        "50054b467fff0c101c",  # F01
        "50054b467fff1010bd",
        "ff074b467fff01102f",  # F02
        "000000000000000000",  # F03
        "500555007fff0c1021",  # F05
        "91014b467fff0f1025",  # F09
        "9e014b467fff021056",
        "2203968cfefe1f204a",  # F10
        "a8011e0a1fff081043",  # F21
    ],
)
def test_check_bytes_of_the_facts(block: str) -> None:
    """Each block of the reports ends in its right CRC."""
    assert crc8(bytes.fromhex(block)) == 0


def test_f01_dip_between_convert_and_read(make_host: MakeHost) -> None:
    """3 ms without supply, 200 ms after convert: power-on value, marker gone."""
    dip = {"kind": "supply-dip", "device": "A1", "for_s": 0.003}
    dip["when"] = {"command": 0x44, "wait_ms": 200, "times": 1}
    host = make_host(thermometer(), thermometer(2), faults=[dip])
    for marker in (b"\xcc\x4e\x11\x22\x7f", b"\xcc\x44"):
        host.ask(marker)
    host.wait(0.75)
    assert pad_of(host) == POWER_ON
    assert pad_of(host, 1)[:4] == b"\x91\x01\x11\x22"  # the other one kept both


def test_f01_capacitor_bridges_a_loose_lead(make_host: MakeHost) -> None:
    """100 nF hold (5 - 2) V for 100 nF * 3 V / 1 mA = 0.3 ms of a conversion."""
    for gap_ms, result in ((0.25, b"\x91\x01"), (0.35, b"\x50\x05")):
        loose = {"kind": "device-drops-off", "device": "A1", "for_s": gap_ms / 1000}
        loose["when"] = {"command": 0x44, "wait_ms": 200}
        pin = {"store_nf": 100}
        device = thermometer(supply_pin=pin, active_ma=1.0, conversion_min_v=2.0)
        host = make_host(device, faults=[loose])
        assert host.convert()[:2] == result


def test_f01_true_85_has_another_sixth_byte(make_host: MakeHost) -> None:
    """A true 85.00 gives 10h in byte 6 on originals, and 0Ch on clones."""
    original = make_host(thermometer(temperature_degc=85.0))
    clone = make_host(thermometer(temperature_degc=85.0, silicon="clone"))
    assert original.convert() == bytes.fromhex("50054b467fff1010bd")
    assert clone.convert()[6] == 0x0C


def test_f02_conversion_given_up(make_host: MakeHost) -> None:
    """Four on the bus together at 1.2 kohm: 07FFh for some; one at a time all is well."""
    devices = [
        thermometer(
            serial,
            supply="parasite",
            active_ma=0.5,
            starved_result="full-scale",
            starved_share=0.3,
        )
        for serial in range(1, 5)
    ]
    host = make_host(*devices, line={"pull_up_ohm": 1200})
    seen = []
    for _ in range(25):
        host.ask(b"\xcc\x44")
        host.wait(0.8)
        seen += [pad_of(host, index) for index in range(4)]
    given_up = seen.count(bytes.fromhex("ff074b467fff01102f"))
    assert 15 < given_up < 45  # 0.3 of 100
    assert seen.count(bytes.fromhex("91014b467fff0f1025")) == 100 - given_up
    for index in range(4):
        host.ask(b"\x55" + host.bench.stations[index].device.rom.wire + b"\x44")
        host.wait(0.8)
        assert pad_of(host, index)[:2] == b"\x91\x01"


def test_f03_slow_edges_make_nine_zero_bytes(make_host: MakeHost) -> None:
    """A wet probe during the read: 00 nine times, and the check byte is right."""
    wet = {"kind": "extra-capacitance", "extra_nf": 15, "for_s": 0.008}
    host = make_host(thermometer(), faults=[wet | {"when": READ_AFTER}])
    assert host.convert() == bytes(9)


def test_f03_hard_short_swallows_echoes(make_host: MakeHost) -> None:
    """Low from 0.3 ms after the command for 6 ms: the receiver hears one edge, then none."""
    short = {"kind": "line-shorted", "for_s": 0.006}
    short["when"] = {"command": 0xBE, "wait_ms": 0.3}
    host = make_host(thermometer(), faults=[short], timeout_s=0.05)
    host.ask(b"\xcc\xbe")
    echoes = host.exchange(b"\xff" * 72, baud=142_857)
    assert 2 <= len(echoes) < 10


def test_f03_open_ground_reads_ones(make_host: MakeHost) -> None:
    """Nobody drives: nine FF, whose check byte ought to be C9 (computed)."""
    gone = {"kind": "device-drops-off", "contact": "ground", "when": READ_AFTER}
    host = make_host(thermometer(), faults=[gone])
    assert host.convert() == b"\xff" * 9
    assert crc8(b"\xff" * 8) == 0xC9


@pytest.mark.slow
def test_f04_damaged_convert_command(make_host: MakeHost) -> None:
    """One device in five per cent of cycles: old value, perfect echoes, not busy."""
    fault = {"kind": "damaged-command", "device": "A1", "probability": 0.05}
    # a quarter of a degree a second
    devices = [thermometer(n, drift_degc_per_h=900.0) for n in (1, 2)]
    host = make_host(*devices, faults=[fault])
    stale = 0
    for _ in range(200):
        before = pad_of(host)[:2]
        frames = bytes(0xFF if 0x44 >> place & 1 else 0 for place in range(8))
        assert host.reset() != 0xF8
        host.write(b"\x55" + host.bench.stations[0].device.rom.wire)
        assert host.bits(frames) == [0x44 >> place & 1 for place in range(8)]
        heard = host.read(1) == b"\x00"  # busy
        host.wait(0.7)
        is_stale = pad_of(host)[:2] == before
        assert is_stale != heard
        stale += is_stale
    assert 3 < stale < 22


def test_f05_clone(make_host: MakeHost) -> None:
    """Fixed 12 bit in 30 ms, 0Ch for ever, eight stores, and no truth about its power."""
    clone = {
        "family": 0x28,
        "rom_code": "DD0517712C64FF28",
        "temperature_degc": 25.0625,
        "conversion_ms": 30,
        "alarm_high_degc": 0x55,
        "alarm_low_degc": 0,
        "silicon": "clone",
    }
    host = make_host(clone)
    assert host.ask(b"\x33", 8).hex() == "28ff642c711705dd"
    assert host.ask(b"\xcc\xbe", 9).hex() == "500555007fff0c1021"
    host.ask(b"\xcc\x4e\x01\x02\x1f")  # 9 bit asked for
    block = host.convert(wait_s=0.031)
    assert (block[0], block[4], block[6]) == (0x91, 0x7F, 0x0C)
    for store in range(10):
        host.ask(bytes([0xCC, 0x4E, store, 0, 0x7F]))
        host.ask(b"\xcc\x48")
        host.wait(0.02)
    host.ask(b"\xcc\xb8")
    host.wait(0.001)
    assert host.ask(b"\xcc\xbe", 9)[2] == 7  # the eighth was the last
    answers = {make_host(clone, seed=seed).ask(b"\xcc\xb4", 1) for seed in range(1, 9)}
    assert answers == {b"\xff", b"\xfe"}


def test_f05_clone_starves_on_the_bus(make_host: MakeHost) -> None:
    """On bus power a part that draws 3 mA dies at 1 kohm: 85.00 again."""
    clone = thermometer(silicon="clone", supply="parasite", active_ma=3.0)
    host = make_host(clone, line={"pull_up_ohm": 1000})
    assert host.convert()[:2] == b"\x50\x05"
