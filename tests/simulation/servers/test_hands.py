"""Hands at a simulated bench: who is in, who is warm, and what is typed wrongly."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from harness.driver.search import enumerate_devices
from harness.simulation.servers.hands import USAGE, WARMED_K, SocketHands
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

ROMS = [RomCode.build(0x28, 977 * n) for n in (1, 2)]


def test_in_and_out(open_bus: Make, bench_data: Make, new_device: Make) -> None:
    """All are in at the beginning; who is out is not found, and is again when put in."""
    bus = open_bus(bench_data([new_device(0x28, 977), new_device(0x28, 2 * 977)]))
    hands = SocketHands(bus.adapter.port.bench)
    assert sorted(enumerate_devices(bus).found) == sorted(ROMS)
    assert hands.do("out S1") == "S1: taken out"
    bus.clock.sleep(1)
    assert enumerate_devices(bus).found == [ROMS[1]]
    assert hands.do(" in S1 ") == "S1: put in"
    bus.clock.sleep(1)
    bus.begin_check()
    assert sorted(enumerate_devices(bus).found) == sorted(ROMS)


def test_who_stays_is_in(open_bus: Make, bench_data: Make, new_device: Make) -> None:
    """A walk begins with an empty bench, but for those that are known."""
    bus = open_bus(bench_data([new_device(0x28, 977), new_device(0x28, 2 * 977)]))
    SocketHands(bus.adapter.port.bench, stay={str(ROMS[1])})
    bus.clock.sleep(1)
    assert enumerate_devices(bus).found == [ROMS[1]]


def test_warm(open_bus: Make, bench_data: Make, new_device: Make) -> None:
    """A thermometer gets warmer and stays so; a serial number does not."""
    bus = open_bus(
        bench_data([new_device(0x28, 977, temperature_degc=20), new_device(0x01, 5)])
    )
    bench = bus.adapter.port.bench
    hands = SocketHands(bench)
    assert hands.do("warm S1") == f"S1: warmed by {WARMED_K:g} K"
    assert bench.stations[0].device.temperature_degc == 20 + WARMED_K
    assert hands.do("warm S2") == "S2: nothing to warm there; sockets: S1, S2"


def test_what_is_none_of_these(
    open_bus: Make, bench_data: Make, new_device: Make
) -> None:
    """The words that are taken, and the sockets that there are."""
    bus = open_bus(bench_data([new_device(0x28, 977)]))
    hands = SocketHands(bus.adapter.port.bench)
    assert hands.do("") == USAGE
    assert hands.do("shake S1") == USAGE
    assert hands.do("in") == "no socket: nothing to in there; sockets: S1"
