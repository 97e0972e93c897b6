"""Levels and edges: faults of public reports, retold, on the bench.

Crossing times are recomputed from RC ln((V - low) / (V - threshold)), with the base values
below.
"""

from __future__ import annotations

from math import log
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

SUPPLY_V, LOW_V, HOST_V, DEVICE_V = 5.0, 0.2, 1.5, 2.2
BIT_US = 1e6 / 115_200


def thermometer(serial: int = 1, **more: object) -> dict[str, Any]:
    """A thermometer in socket A<serial>, with the base times."""
    times = {"presence_wait_us": 30, "presence_low_us": 120, "read_0_us": 30}
    given = {"family": 0x28, "serial": serial, "temperature_degc": 25.0625}
    return {**given, "socket": f"A{serial}", "time_base": times, **more}


def line_of(nf: float, *, ohm: float = 4700, devices: int = 0) -> dict[str, float]:
    """A line with so much capacitance, pins of adapter and devices included."""
    cable_pf = 1000 * nf - 20 - 25 * devices
    return {"pull_up_ohm": ohm, "cable_m": 1000, "cable_pf_per_m": cable_pf / 1000}


def crossing_us(ohm: float, nf: float, threshold_v: float) -> float:
    """From release to the threshold."""
    return ohm * nf * 1e-3 * log((SUPPLY_V - LOW_V) / (SUPPLY_V - threshold_v))


def echo(host: Host, byte: int, *, baud: int = 115_200) -> bytes:
    """All that comes back for one character."""
    host.wait(0.01)
    host.port.baudrate = baud
    host.port.timeout = 0.05
    host.port.write(bytes([byte]))
    received: bytes = host.port.read(9)
    return received


@pytest.mark.parametrize(("ohm", "shown"), [(4700, 0xFE), (1500, 0xFF)])
def test_f11_slow_edge(make_host: MakeHost, ohm: float, shown: int) -> None:
    """5 nF at 4.7 kohm: FE and 21.3 us; at 1.5 kohm: FF and 12.7 us."""
    host = make_host(line=line_of(5.0, ohm=ohm))
    low_us = BIT_US + crossing_us(ohm, 5.0, HOST_V)
    assert (low_us > 1.5 * BIT_US) == (shown == 0xFE)
    device_us = BIT_US + crossing_us(ohm, 5.0, DEVICE_V)
    assert device_us == pytest.approx(21.3 if ohm == 4700 else 12.7, abs=0.2)
    assert echo(host, 0xFF) == bytes([shown])


def test_f11_early_sampler_takes_ones_for_zeros(make_host: MakeHost) -> None:
    """A device that samples at 15 us is deaf to every 1; one that waits 40 us is not."""
    devices = [
        thermometer(n, time_base={"sample_us": sample_us})
        for n, sample_us in ((1, 15.5), (2, 40.0))
    ]
    host = make_host(*devices, line=line_of(5.0, devices=2))
    host.exchange(b"\xf0", baud=9600)
    for bit in (0, 0, 1, 1, 0, 0, 1, 1):  # back to back the line would not rise between
        host.exchange(b"\xff" if bit else b"\x00", baud=115_200)
    early, late = (station.device for station in host.bench.stations)
    assert early.want is None
    assert late.want is not None


def test_f12a_slow_line_imitates_presence(make_host: MakeHost) -> None:
    """47 kohm and 4 nF, nobody there: reset E0, slot 80."""
    faults = [
        {"kind": "weak-pull-up", "pull_up_ohm": 47_000},
        {"kind": "extra-capacitance", "extra_nf": 3.7},
    ]
    host = make_host(line=line_of(0.3), faults=faults)
    assert crossing_us(47_000, 4.0, HOST_V) + BIT_US == pytest.approx(68, abs=1)
    assert echo(host, 0xF0, baud=9600) == b"\xe0"
    assert echo(host, 0xFF) == b"\x80"


@pytest.mark.parametrize(
    ("degc", "ohm", "idle_v"), [(25, 4700, 4.06), (45, 4700, 1.24), (45, 1500, 3.80)]
)
def test_f12b_leakage(
    make_host: MakeHost, degc: float, ohm: float, idle_v: float
) -> None:
    """40 inputs leak 5 uA, four times as much 20 K hotter; 1.5 kohm carry that."""
    devices = [thermometer(n, temperature_degc=degc) for n in range(40)]
    leak = {"kind": "leakage", "per_device_ua": 5, "doubles_every_k": 10}
    host = make_host(*devices, line=line_of(0.3, ohm=ohm), faults=[leak])
    leak_ua = 40 * 5 * 2 ** ((degc - 25) / 10)
    assert SUPPLY_V - ohm * leak_ua * 1e-6 == pytest.approx(idle_v)
    host.wait(0.1)
    assert host.bench.core.wiring.line.volts == pytest.approx(idle_v, abs=0.01)
    assert (echo(host, 0xFF) == b"") == (idle_v < HOST_V)


def test_f12b_leakage_follows_the_heat(make_host: MakeHost) -> None:
    """20 K an hour: after an hour the line is at the level of the hotter bench."""
    devices = [thermometer(n, drift_degc_per_h=20.0) for n in range(40)]
    leak = {"kind": "leakage", "at_degc": 25.0625}
    host = make_host(*devices, line=line_of(0.3), faults=[leak])
    line = host.bench.core.wiring.line
    assert line.volts == pytest.approx(4.06, abs=0.01)
    host.wait(3600)
    assert line.volts == pytest.approx(1.24, abs=0.02)


def test_f13_presence_between_two_samples(make_host: MakeHost) -> None:
    """Low from 55 to 120 us: F0 at 9600 baud, E0 at 7200 baud."""
    times = {"presence_wait_us": 55, "presence_low_us": 65}
    host = make_host(
        thermometer(time_base=times),
        line=line_of(0.3, devices=1),
        adapter={"grid_phase": 0.01},  # the start edge is found at once
    )
    samples_us = [0.5e6 / 9600 + n * 1e6 / 9600 for n in range(4)]
    assert not any(55 < sample_us < 120 for sample_us in samples_us)
    assert 55 < 0.5e6 / 7200 < 120
    assert echo(host, 0xF0, baud=9600) == b"\xf0"
    assert echo(host, 0xF0, baud=7200) == b"\xe0"


def test_f14_short_is_one_zero_then_silence(make_host: MakeHost) -> None:
    """Low for ever: the receiver hears the edge of it once."""
    host = make_host(thermometer(), faults=[{"kind": "line-shorted", "at_s": 0.5}])
    host.port.timeout = 1.0
    assert host.port.read(5) == b"\x00"
    assert echo(host, 0xF0, baud=9600) == b""


def test_f14_thermostat_lets_go_when_cool(make_host: MakeHost) -> None:
    """31 degC, trip point 25, 2 K a minute: low for three minutes."""
    stuck = {"kind": "thermostat-output", "cools_k_per_min": 2}
    host = make_host(thermometer(), faults=[stuck])
    assert echo(host, 0xFF) == b""
    host.wait(180 - host.port.clock.now_s() - 1)
    assert echo(host, 0xFF) == b""
    host.wait(2)
    assert echo(host, 0xFF) == b"\xff"
    cold = make_host(faults=[stuck | {"temperature_degc": 24.0}])
    assert echo(cold, 0xFF) == b"\xff"


@pytest.mark.parametrize(
    "fault",
    [
        {"kind": "lifted-low", "low_v": 1.0},
        {"kind": "ground-lift", "side": "adapter", "ohm": 30, "current_ma": 30},
    ],
)
def test_f15_lows_too_high_for_devices(
    make_host: MakeHost, fault: dict[str, Any]
) -> None:
    """Own echoes are perfect, and at neither rate does anybody answer."""
    host = make_host(thermometer(), faults=[fault])
    assert echo(host, 0xFF) == b"\xff"
    assert echo(host, 0x00) == b"\x00"
    assert echo(host, 0xF0, baud=9600) == b"\xf0"
    assert echo(host, 0xF0, baud=7200) == b"\xf0"
    trace = host.bench.record_trace()
    echo(host, 0x00)
    host.bench.stop_trace()
    low_v = min(part.end_v for part in trace.segments)
    assert 0.8 < low_v < HOST_V  # above what devices take, below what the host takes


def test_f15_lifted_devices_pull_too_high(make_host: MakeHost) -> None:
    """The devices' ground lies 1.6 V up: they hear every 1 as a 0, and cannot be heard."""
    lift = {"kind": "ground-lift", "side": "devices", "ohm": 50, "current_ma": 32}
    host = make_host(thermometer(), faults=[lift])
    assert echo(host, 0xF0, baud=9600) == b"\xf0"
    assert host.bench.stations[0].device.want is not None  # it did answer


def test_f16_bursts_spoil_blocks_now_and_then(make_host: MakeHost) -> None:
    """8 ms of spikes every 0.5 s: lows are lifted in some blocks, most are good.

    3 V down from 5 V reach no threshold.
    """
    burst = {"kind": "noise-burst", "for_s": 0.008, "every_s": 0.5, "rate_per_s": 2000}
    host = make_host(thermometer(), faults=[burst | {"at_s": 0.2}])
    commands = bytes(
        0xFF if byte >> place & 1 else 0 for byte in b"\xcc\xbe" for place in range(8)
    )

    def block() -> bytes:
        host.port.timeout = 0.03
        host.wait(0.002)
        host.exchange(b"\xf8", baud=7800)
        return host.exchange(commands + b"\xff" * 72, baud=142_857)[16:]

    good = block()
    bad = [echoes for echoes in (block() for _ in range(400)) if echoes != good]
    assert 1 < len(bad) < 60


PLUG = {"kind": "hot-plugging", "device": "A2", "store_nf": 47}


def test_f17_newcomer_drags_the_line_down(make_host: MakeHost) -> None:
    """At slot 37 of a read the block is lost; a retry is well, and finds one more."""
    plug = PLUG | {"when": {"command": 0xBE, "slot": 37, "times": 1}}
    host = make_host(thermometer(1), thermometer(2), faults=[plug])
    rom = host.bench.stations[0].device.rom
    read = b"\x55" + rom.wire + b"\xbe"
    assert host.search() == [str(rom)]
    host.ask(read)
    host.port.timeout = 0.1
    spoiled = host.exchange(b"\xff" * 72, baud=142_857)
    host.ask(read)
    whole = host.exchange(b"\xff" * 72, baud=142_857)
    assert spoiled[:36] == whole[:36]
    assert spoiled != whole
    assert len(host.search()) == 2


def test_f17_drag_lasts_as_long_as_charging_takes(make_host: MakeHost) -> None:
    """47 nF through 4.7 kohm to 2.2 V: 128 us; then a presence pulse."""
    host = make_host(thermometer(1), thermometer(2), faults=[PLUG | {"at_s": 0.5}])
    trace = host.bench.record_trace()
    host.wait(0.6)
    host.bench.stop_trace()
    drag, presence = trace.lows(HOST_V)
    charging_us = 4700 * 47e-3 * log(SUPPLY_V / (SUPPLY_V - DEVICE_V))
    assert (
        drag.length_us == pytest.approx(charging_us, abs=1) == pytest.approx(128, abs=1)
    )
    assert presence.length_us == pytest.approx(120, abs=3)


def test_lifted_devices_where_there_are_none(make_host: MakeHost) -> None:
    """The adapter's ground is not theirs: an empty bus is as it was."""
    lift = {"kind": "ground-lift", "side": "devices", "ohm": 50, "current_ma": 100}
    host = make_host(faults=[lift])
    assert echo(host, 0xFF) == b"\xff"
