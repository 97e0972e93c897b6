"""Parasite power: capacitor arithmetic, conversions that hold or brown out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from harness.simulation.devices.supply import ParasiteSupply

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost


def parasite(serial: int = 1, **more: object) -> dict[str, Any]:
    """A thermometer on parasite power with the data sheet's largest current."""
    return {
        "family": 0x28,
        "serial": serial,
        "supply": "parasite",
        "temperature_degc": 25.0625,
        "active_ma": 1.5,
        **more,
    }


def node(host: Host, index: int = 0) -> ParasiteSupply:
    """The supply of a device."""
    supply = host.bench.stations[index].supply
    assert isinstance(supply, ParasiteSupply)
    return supply


@pytest.mark.parametrize(
    ("pull_up_ohm", "raw"), [(1300, 0x0191), (1380, 0x0550), (4700, 0x0550)]
)
def test_conversion_needs_a_strong_enough_resistor(
    make_host: MakeHost, pull_up_ohm: float, raw: int
) -> None:
    """(5 V - 3 V) / 1.5 mA = 1333 ohm for one device (data sheet DS18B20, conversion current)."""
    host = make_host(parasite(), line={"pull_up_ohm": pull_up_ohm})
    assert int.from_bytes(host.convert()[:2], "little") == raw


@pytest.mark.parametrize(("pull_up_ohm", "raw"), [(320, 0x0191), (350, 0x0550)])
def test_four_conversions_at_once_need_a_quarter(
    make_host: MakeHost, pull_up_ohm: float, raw: int
) -> None:
    """333 ohm for four at once (data sheet DS18B20, conversion current)."""
    devices = [parasite(serial) for serial in range(1, 5)]
    # 350 ohm need a stage that pulls well
    adapter = {"low_ohm": 5, "low_v": 0.05}
    host = make_host(*devices, line={"pull_up_ohm": pull_up_ohm}, adapter=adapter)
    host.ask(b"\xcc\x44")
    host.wait(0.8)
    for station in host.bench.stations:
        pad = host.ask(b"\x55" + station.device.rom.wire + b"\xbe", 2)
        assert int.from_bytes(pad, "little") == raw


def test_brown_out_loses_volatile_state(make_host: MakeHost) -> None:
    """Public reports, retold: 1 mA through 4.7 kohm leaves 0.3 V: the chip restarts."""
    host = make_host(parasite(active_ma=1.0), line={"pull_up_ohm": 4700})
    host.ask(b"\xcc\x4e\x11\x22\x3f")
    assert host.ask(b"\xcc\xbe", 5)[2:] == b"\x11\x22\x3f"
    assert host.convert() == bytes.fromhex("50054b467fff0c101c")


def test_sag_without_brown_out_keeps_state(make_host: MakeHost) -> None:
    """1 mA through 2.2 kohm leaves 2.8 V: no result, but the registers stay."""
    host = make_host(parasite(active_ma=1.0), line={"pull_up_ohm": 2200})
    host.ask(b"\xcc\x4e\x11\x22\x3f")
    assert host.convert()[:5] == b"\x50\x05\x11\x22\x3f"


def test_strong_pull_up_carries_the_conversion(make_host: MakeHost) -> None:
    """Armed by RTS without DTR before the command, dropped before the read."""
    host = make_host(
        parasite(),
        line={"pull_up_ohm": 4700},
        adapter={"low_ohm": 5, "low_v": 0.05},
        power={"strong_pull_up_on": "rts-without-dtr", "strong_pull_up_ohm": 150},
    )
    host.port.dtr = True
    host.ask(b"\xcc")
    host.port.dtr = False
    host.write(b"\x44")
    host.wait(0.8)
    host.port.dtr = True
    assert host.ask(b"\xcc\xbe", 9).hex() == "91014b467fff0f1025"


def test_both_lines_together_leave_the_strong_pull_up_off(make_host: MakeHost) -> None:
    """Opening and closing raise and drop both: an unequal pair is needed."""
    host = make_host(parasite(), power={"strong_pull_up_on": "rts-without-dtr"})
    assert host.convert()[:2] == b"\x50\x05"


def test_traffic_during_a_conversion_starves_it(make_host: MakeHost) -> None:
    """A reset in the middle takes the line away for longer than the store lasts."""
    host = make_host(parasite(), line={"pull_up_ohm": 1000})
    host.ask(b"\xcc\x44")
    host.wait(0.1)
    host.reset()
    host.wait(0.8)
    assert host.ask(b"\xcc\xbe", 2) == b"\x50\x05"


@pytest.mark.parametrize(("low_ms", "lost"), [(1.5, False), (3.5, True)])
def test_long_low_drains_the_store(
    make_host: MakeHost, low_ms: float, lost: bool
) -> None:
    """1 uA from 800 pF falls from 4.7 V to 2.0 V in 2.2 ms: I t / C."""
    host = make_host(parasite(), line={"pull_up_ohm": 1000})
    host.ask(b"\xcc\x4e\x11\x22\x3f")
    host.port.send_break(low_ms / 1000)
    host.wait(0.01)
    stored = host.ask(b"\xcc\xbe", 5)[2:]
    assert stored == (b"\x4b\x46\x7f" if lost else b"\x11\x22\x3f")


def test_store_charges_again_while_the_line_is_high(make_host: MakeHost) -> None:
    """After a millisecond of idle the store is within the diode's drop of the line."""
    host = make_host(parasite())
    host.ask(b"\xcc\xbe", 9)
    host.wait(0.001)
    host.bench.catch_up()
    assert node(host).present_v() == pytest.approx(4.7, abs=0.01)


@pytest.mark.parametrize(("devices", "alive"), [(1, True), (20, False)])
def test_many_devices_starve_on_short_recovery(
    make_host: MakeHost, devices: int, alive: bool
) -> None:
    """More than a handful of parasite devices want more than 5 us (arithmetic of pull-up and capacitance)."""
    kinds = [
        parasite(serial, supply_node={"slot_charge_nc": 0.417})
        for serial in range(devices)
    ]
    host = make_host(*kinds, line={"pull_up_ohm": 2200})
    host.ask(b"\xcc\x4e\x11\x22\x3f")
    assert host.reset() != 0xF8
    host.exchange(b"\x00" * 400, baud=150_000)
    host.wait(0.01)
    pads = [host.thermometer(index).scratchpad for index in range(devices)]
    kept = [pad[2:5] == b"\x11\x22\x3f" for pad in pads]
    assert all(kept) is alive
    assert any(kept) is alive


def test_failed_store_leaves_a_mixture(make_host: MakeHost) -> None:
    """A copy that is not supplied to its end spoils some bytes (public reports, retold)."""
    kept = set()
    for seed in range(12):
        host = make_host(parasite(active_ma=1.0), line={"pull_up_ohm": 2200}, seed=seed)
        host.ask(b"\xcc\x4e\x11\x22\x3f")
        host.ask(b"\xcc\x48")
        host.wait(0.02)
        kept.add(host.thermometer().eeprom)
    assert len(kept) > 1
    assert all(a in b"\x11\x4b" and b in b"\x22\x46" for a, b, _ in kept)


def test_external_supply_follows_the_switch(make_host: MakeHost) -> None:
    """Without supply nobody answers and the line is low; state is lost."""
    external = parasite() | {"supply": "external"}
    host = make_host(external, power={"supply_on": "rts"}, timeout_s=0.05)
    host.ask(b"\xcc\x4e\x11\x22\x3f")
    host.port.rts = False
    host.wait(0.05)
    assert host.exchange(b"\xff\xff", baud=115_200) == b""
    host.port.rts = True
    host.wait(0.05)
    assert host.ask(b"\xcc\xbe", 5)[2:] == b"\x4b\x46\x7f"
