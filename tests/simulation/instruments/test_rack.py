"""Simulated instruments act on the bench by physics, through their text alone."""

from __future__ import annotations

from typing import Any

import pytest

from harness.simulation.servers.bench import Bench
from harness.simulation.settings.bench import bench_settings


@pytest.fixture
def bench() -> Bench:
    """One thermometer, a supply, a chamber, a meter, a thermometer of 0.3 K error."""
    data: dict[str, Any] = {
        "line": {"pull_up_ohm": 2000, "supply_v": 5.0},
        "simulation": {
            "devices": [{"family": 0x28, "serial": 5, "temperature_degc": 23.5}],
            "instruments": [
                {"kind": "supply", "resource": "PSU", "series_ohm": 0.0},
                {"kind": "chamber", "resource": "CH", "time_constant_s": 10},
                {"kind": "multimeter", "resource": "DMM"},
                {"kind": "thermometer", "resource": "PT", "error_k": 0.3},
            ],
        },
    }
    return Bench(bench_settings(data))


def _runs(bench: Bench) -> bool:
    return bench.stations[0].supply.is_good


def test_the_supply_drives_the_node(bench: Bench) -> None:
    """Off at first; then what was set, at the line and at the supply pin."""
    psu, meter = bench.rack.open("PSU"), bench.rack.open("DMM")
    assert bench.core.wiring.rail_v == 0.0
    assert not _runs(bench)
    psu.write("VOLT 3.3")
    psu.write("OUTP 1")
    assert meter.query("MEAS:VOLT:DC?") == "3.3"
    assert psu.query("MEAS:VOLT?") == "3.3"
    bench.clock.sleep(0.01)
    bench.catch_up()
    assert _runs(bench)
    psu.write("VOLT 1.5")  # below its brown-out of 2.0 V
    assert not _runs(bench)


def test_the_meter_sees_the_current(bench: Bench) -> None:
    """At rest the device's microampere; with the line held low that of the pull-up.

    The adapter's stage pulls to some 0.16 V, which the pull-up does not see.
    """
    psu, meter = bench.rack.open("PSU"), bench.rack.open("DMM")
    psu.write("VOLT 5")
    psu.write("OUTP 1")
    bench.clock.sleep(0.1)
    assert float(meter.query("MEAS:CURR:DC?")) == pytest.approx(1e-6, rel=0.2)
    bench.core.wiring.set_break(True)
    bench.clock.sleep(0.1)
    drawn_a = float(meter.query("MEAS:CURR:DC?"))
    assert drawn_a == pytest.approx(5.0 / 2000, rel=0.05)


def test_the_chamber_carries_the_devices_along(bench: Bench) -> None:
    """Their own distance to the chamber stays; the thermometer has its own error."""
    chamber, thermometer = bench.rack.open("CH"), bench.rack.open("PT")
    chamber.write("SOUR:TEMP -40")
    assert float(chamber.query("MEAS:TEMP?")) == pytest.approx(23.0)  # output is off
    chamber.write("OUTP 1")
    bench.clock.sleep(1000)
    bench.catch_up()
    device: Any = bench.stations[0].device
    assert float(chamber.query("MEAS:TEMP?")) == pytest.approx(-40.0, abs=1e-3)
    assert float(thermometer.query("MEAS:TEMP?")) == pytest.approx(-39.7, abs=1e-3)
    assert device.temperature_degc == pytest.approx(-39.5, abs=1e-3)


def test_the_current_limit_trips(bench: Bench) -> None:
    """More than the limit: the output goes off and the protection answers 1."""
    psu = bench.rack.open("PSU")
    for text in ("VOLT 5", "CURR 0.001", "OUTP 1"):
        psu.write(text)
    assert psu.query("CURR:PROT:TRIP?") == "0"
    bench.core.wiring.set_break(True)
    bench.clock.sleep(0.1)
    assert psu.query("CURR:PROT:TRIP?") == "1"
    assert psu.query("MEAS:VOLT?") == "0"


def test_what_it_does_not_know(bench: Bench) -> None:
    """SCPI-99: -113, -222 and -104 come out of the queue in order, then 0."""
    psu = bench.rack.open("PSU")
    for text in ("VOLTS 3", "VOLT 99", "VOLT abc"):
        psu.write(text)
    entries = [psu.query("SYST:ERR?")[:4] for _ in range(4)]
    assert entries == ["-113", "-222", "-104", '0,"N']
