"""The survey against the simulator's own, hidden, time bases."""

from __future__ import annotations

from collections.abc import Callable
from math import log
from random import Random
from typing import Any

import pytest

from harness.driver.bus import Bus
from harness.driver.search import enumerate_devices
from harness.timing.isolation import alone_from
from harness.timing.survey import (
    DEVICE_NAMES,
    LINE_NAMES,
    LineFacts,
    Name,
    Survey,
    Timing,
)
from harness.wire.romcode import RomCode
from tests.timing.found import value_of

OpenBus = Callable[[dict[str, Any]], Bus]
Data = Callable[..., dict[str, Any]]


def survey_of(bus: Bus, ohm: float) -> tuple[Survey, list[RomCode]]:
    bus.prove()
    roms = enumerate_devices(bus).found
    return Survey(bus, LineFacts(pull_up_ohm=ohm, supply_v=5.0), roms), roms


def truth_of(bus: Bus, rom: RomCode) -> Any:  # noqa: ANN401 - the simulator's record
    stations = bus.adapter.port.bench.stations
    return next(s for s in stations if s.device.rom == rom).pin.time_base


def inside(timing: Timing, true: float) -> bool:
    if timing.bound == "at most":
        return true <= timing.value
    if timing.bound == "at least":
        return true >= timing.value
    return abs(timing.value - true) <= timing.uncertainty


CASES = [
    # pull-up, cable, adapter error, grid: the corners of what a survey must bear
    (470, 1, 5000, "fractional-divider"),
    (2200, 6, -5000, "integer-divider"),
    (4700, 50, 2500, "prescaled-divider"),
    (1000, 50, 0, "fractional-divider"),
]


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES)
def test_values_lie_inside_their_uncertainty(
    open_bus: OpenBus,
    bench_data: Data,
    new_device: Callable[..., dict[str, Any]],
    case: tuple[int, int, int, str],
) -> None:
    """Sample instant and hold are known to 1 us, presence to 5 us, rise to 0.3 us or 15 %."""
    ohm, cable_m, ppm, kind = case
    random = Random(f"{ohm} {cable_m} {ppm} {kind}")
    devices = [
        new_device(random.choice([0x28, 0x01]), random.getrandbits(48))
        for _ in range(3)
    ]
    data = bench_data(
        devices,
        seed=random.getrandbits(31),
        kind=kind,
        line={"pull_up_ohm": ohm, "cable_m": cable_m},
        adapter={"error_ppm": ppm, "latency_ms": 1},
    )
    bus = open_bus(data)
    survey, roms = survey_of(bus, ohm)

    # R C ln((V-V0)/(V-Vt)) with Vt = 1.5 V; 25 pF a device, 20 pF adapter; V0 by the
    # divider of the stage (0.1 V and 25 ohm) with the pull-up
    nf = (cable_m * 50 + 3 * 25 + 20) / 1000
    start_v = (0.1 * ohm + 5 * 25) / (ohm + 25)
    true_rise_us = ohm * nf * 1e-3 * log((5 - start_v) / 3.5)
    rise = value_of(survey.of_line(Name.RISE_TIME))
    assert inside(rise, true_rise_us), (rise, true_rise_us)
    assert rise.uncertainty <= max(0.3, 0.15 * rise.value)
    # the driver's low is not known to the survey: 8 % of R C between 0 and 0.13 V
    capacitance = value_of(survey.of_line(Name.CAPACITANCE))
    known_to = capacitance.uncertainty + 0.08 * nf
    assert abs(capacitance.value - nf) <= known_to, (capacitance, nf)
    assert inside(value_of(survey.of_line(Name.CLOCK_ERROR)), ppm)

    waits = [truth_of(bus, rom).presence_wait_us for rom in roms]
    ends = [
        truth_of(bus, rom).presence_wait_us + truth_of(bus, rom).presence_low_us
        for rom in roms
    ]
    for name, true in (
        (Name.PRESENCE_WAIT, min(waits)),
        (Name.PRESENCE_END, max(ends)),
    ):
        timing = value_of(survey.of_line(name))
        assert inside(timing, true), (name, timing, true)
        assert timing.uncertainty <= 5.0

    for rom in roms:
        truth = truth_of(bus, rom)
        sample = value_of(survey.of_device(Name.SAMPLE_INSTANT, rom))
        hold = value_of(survey.of_device(Name.READ_0_HOLD, rom))
        assert inside(sample, truth.sample_us), (sample, truth.sample_us)
        assert inside(hold, truth.read_0_us), (hold, truth.read_0_us)
        assert sample.uncertainty <= 1.0
        assert hold.uncertainty <= 1.0


@pytest.mark.slow
def test_a_device_out_of_limits_is_found_and_no_other(
    open_bus: OpenBus, bench_data: Data, new_device: Callable[..., dict[str, Any]]
) -> None:
    """Of ten devices the one that samples at 13 us is named, beyond doubt."""
    devices = [new_device(0x28, 1000 + n) for n in range(10)]
    devices[6]["time_base"] = {"sample_us": 13.0}
    bus = open_bus(bench_data(devices, seed=5))
    survey, roms = survey_of(bus, 2200)
    broken = [
        rom
        for rom in roms
        if value_of(survey.of_device(Name.SAMPLE_INSTANT, rom)).broken
    ]
    assert broken == [RomCode.build(0x28, 1006)]


def test_every_quantity_of_one_device(
    open_bus: OpenBus, bench_data: Data, new_device: Callable[..., dict[str, Any]]
) -> None:
    """A single device gives all values; the shortest slot period is when it is done."""
    given = {
        "sample_us": 30.0,
        "read_0_us": 40.0,
        "presence_wait_us": 45.0,
        "presence_low_us": 100.0,
    }
    bus = open_bus(bench_data([new_device(0x01, 7, time_base=given)]))
    survey, (rom,) = survey_of(bus, 2200)
    line = {name: value_of(survey.of_line(name)) for name in LINE_NAMES}
    device = {name: value_of(survey.of_device(name, rom)) for name in DEVICE_NAMES}
    assert inside(line[Name.PRESENCE_WAIT], 45.0)
    assert inside(line[Name.PRESENCE_END], 145.0)
    # slots are taken from the end of the presence pulse on, or a little later
    assert 140 <= line[Name.RESET_HIGH].value <= 215
    assert inside(device[Name.SAMPLE_INSTANT], 30.0)
    assert inside(device[Name.READ_0_HOLD], 40.0)
    # a device that holds its 0 until 40 us can take the next edge soon after
    assert 39.5 <= device[Name.SLOT_PERIOD].value <= 43
    assert device[Name.SHORTEST_LOW].value <= 1.0
    assert not any(t.broken for t in [*line.values(), *device.values()])


def test_alone_from_the_first_differing_bit() -> None:
    """A device is alone after the first bit in which it differs from every other."""
    one, two = RomCode.build(0x28, 0b0001), RomCode.build(0x28, 0b0011)
    assert alone_from(one, [one]) == 0
    # family byte (8 bits), then the second serial bit differs
    assert alone_from(one, [one, two]) == 10


def test_clock_is_calibrated_only_where_that_helps(
    open_bus: OpenBus, bench_data: Data, new_device: Callable[..., dict[str, Any]]
) -> None:
    """A crystal's promise is better than a burst against the host; an oscillator's is not."""
    crystal = open_bus(bench_data([new_device(1, 1)], kind="fast-fractional-divider"))
    assert survey_of(crystal, 2200)[0].clock.error_ppm == 0
    oscillator = open_bus(bench_data([new_device(1, 1)], adapter={"error_ppm": 4000}))
    clock = survey_of(oscillator, 2200)[0].clock
    assert abs(clock.error_ppm - 4000) <= clock.doubt_ppm
