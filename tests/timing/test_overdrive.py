"""The instrument in overdrive against the simulator's own, hidden, second time bases."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from harness.driver.bus import Bus
from harness.driver.search import enumerate_devices
from harness.errors import CannotOverdrive, NobodyAnswers
from harness.timing.ladders import (
    Clockwork,
    presence_ladder,
    read_ladder,
    twin_ladder,
)
from harness.timing.overdrive import OverdriveSurvey
from harness.timing.spans import OVERDRIVE_SPANS
from harness.timing.survey import OVERDRIVE_NAMES, LineFacts, Name, Survey, Timing
from harness.wire.clock_grid import GRIDS
from harness.wire.limits import OVERDRIVE
from harness.wire.romcode import RomCode
from harness.wire.slots.frames import PULSE_BYTES
from tests.timing.found import value_of

OpenBus = Callable[[dict[str, Any]], Bus]
Data = Callable[..., dict[str, Any]]

FAST_GRIDS = sorted(
    kind
    for kind, grid in GRIDS.items()
    if grid.free and grid.fastest_baud >= 1_000_000 and kind != "rate-table"
)


def clock_of(kind: str) -> Clockwork:
    return Clockwork.of_grid(GRIDS[kind])


def surveyed(bus: Bus, ohm: float) -> tuple[OverdriveSurvey, list[RomCode]]:
    bus.prove()
    roms = enumerate_devices(bus).found
    return OverdriveSurvey(
        Survey(bus, LineFacts(pull_up_ohm=ohm, supply_v=5.0), roms)
    ), roms


def inside(timing: Timing, true_us: float) -> bool:
    if timing.bound == "at most":
        return true_us <= timing.value
    if timing.bound == "at least":
        return true_us >= timing.value
    return abs(timing.value - true_us) <= timing.uncertainty


@pytest.mark.parametrize("kind", FAST_GRIDS)
def test_probing_resets_are_overdrive_resets(kind: str) -> None:
    """Every one pulls for 48 to 80 us, clock error included (overdrive: data sheets DS1996 p. 13-18, DS2431 p. 2-3)."""
    clock = clock_of(kind)
    ladder = presence_ladder(clock, 3.0, 34.0, 0.2, OVERDRIVE)
    assert ladder[0].middle_us < 3.6
    for rung in ladder:
        low_us = (1 + PULSE_BYTES.index(rung.byte)) * rung.bit_us
        assert low_us * (1 - clock.doubt_ppm * 1e-6) >= 48
        assert low_us * (1 + clock.doubt_ppm * 1e-6) <= 80


@pytest.mark.parametrize("kind", FAST_GRIDS)
def test_probing_reads_are_overdrive_reads(kind: str) -> None:
    """The low of each is 1 to 2 us (overdrive: data sheets DS1996 p. 13-18, DS2431 p. 2-3), and 2 to 6 us are covered."""
    span = OVERDRIVE_SPANS.read
    ladder = read_ladder(
        clock_of(kind), span.from_us, span.to_us, span.step_us, OVERDRIVE_SPANS
    )
    assert ladder[0].middle_us < 2
    assert ladder[-1].middle_us > 6
    assert all(1.0 <= rung.bit_us <= 2.0 for rung in ladder)


def test_twin_slots_lie_where_they_should() -> None:
    """The zero of the byte begins its low at the rung's time, and both lows are legal."""
    ladder = twin_ladder(clock_of("exact"), 2.1, 13.0, 0.02, OVERDRIVE_SPANS)
    assert len(ladder) > 100
    for rung in ladder:
        (zero,) = (bit for bit in range(8) if not rung.byte >> bit & 1)
        assert rung.early_us == pytest.approx((zero + 1) * rung.bit_us)
        assert 1.0 <= rung.bit_us <= 2.0


CASES = [
    # pull-up, cable, adapter error, grid
    (1000, 1, 1500, "fractional-divider"),
    (2200, 3, -2500, "integer-divider"),
    (680, 6, 0, "fast-fractional-divider"),
]


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES)
def test_values_lie_inside_their_uncertainty(
    open_bus: OpenBus,
    bench_data: Data,
    new_device: Callable[..., dict[str, Any]],
    case: tuple[float, float, float, str],
) -> None:
    """Presence, sample and hold of each device in overdrive, others on the line."""
    ohm, cable_m, ppm, kind = case
    random = Random(f"overdrive {case}")
    devices = [
        new_device(family, random.getrandbits(48)) for family in (0x2D, 0x43, 0x28)
    ]
    data = bench_data(
        devices,
        seed=random.getrandbits(31),
        kind=kind,
        line={"pull_up_ohm": ohm, "cable_m": cable_m},
        adapter={"error_ppm": ppm},
    )
    bus = open_bus(data)
    survey, _ = surveyed(bus, ohm)
    for station in bus.adapter.port.bench.stations[:2]:
        rom, times = station.device.rom, station.pin.overdrive.times
        for name, true_us, widest_us in (
            (Name.PRESENCE_WAIT, times.presence_wait_us, 1.0),
            (Name.PRESENCE_END, times.presence_wait_us + times.presence_low_us, 1.5),
            (Name.SAMPLE_INSTANT, times.sample_us, 0.7),
            (Name.READ_0_HOLD, times.read_0_us, 0.7),
        ):
            timing = value_of(survey.of_device(name, rom))
            assert inside(timing, true_us), (timing, true_us)
            assert timing.uncertainty <= widest_us
            assert not timing.broken
    # the bus is back at standard speed for whoever comes next
    assert sorted(enumerate_devices(bus).found) == sorted(
        station.device.rom for station in bus.adapter.port.bench.stations
    )


def test_every_quantity_of_one_device(
    open_bus: OpenBus, bench_data: Data, new_device: Callable[..., dict[str, Any]]
) -> None:
    """Known times come back; names in reports say overdrive; each has its limit."""
    given = {"sample_us": 3.0, "read_0_us": 4.0, "presence_wait_us": 5.0,
             "presence_low_us": 12.0, "min_low_us": 0.3}  # fmt: skip
    device = new_device(0x2D, 7, overdrive_times=given)
    line = {"pull_up_ohm": 1000, "cable_m": 1}
    bus = open_bus(bench_data([device], line=line))
    survey, (rom,) = surveyed(bus, 1000)
    found = {name: value_of(survey.of_device(name, rom)) for name in OVERDRIVE_NAMES}
    assert inside(found[Name.PRESENCE_WAIT], 5.0)
    assert inside(found[Name.PRESENCE_END], 17.0)
    assert inside(found[Name.SAMPLE_INSTANT], 3.0)
    assert inside(found[Name.READ_0_HOLD], 4.0)
    # ready when its own 0 has ended and the line has risen again
    assert 3.9 <= found[Name.SLOT_PERIOD].value <= 4.3
    # the adapter makes no low that is short enough to be missed
    assert found[Name.SHORTEST_LOW].bound == "at most"
    for name, timing in found.items():
        value = timing.as_measurement()
        assert value.name == f"overdrive_{name}"
        assert value.low is not None or value.high is not None or timing.bound
        assert not timing.broken


@pytest.mark.parametrize(
    ("times", "name"),
    [
        ({"sample_us": 1.2}, Name.SAMPLE_INSTANT),
        ({"read_0_us": 7.5}, Name.READ_0_HOLD),
        ({"presence_low_us": 33.0}, Name.PRESENCE_END),
    ],
)
def test_a_device_out_of_limits_is_found(
    open_bus: OpenBus,
    bench_data: Data,
    new_device: Callable[..., dict[str, Any]],
    times: dict[str, float],
    name: Name,
) -> None:
    """A second time base outside 2..6 us, or too long a presence, breaks its limit."""
    device = new_device(0x2D, 8, overdrive_times=times)
    line = {"pull_up_ohm": 680, "cable_m": 1}
    kind = "fast-fractional-divider"
    bus = open_bus(bench_data([device], line=line, kind=kind))
    survey, (rom,) = surveyed(bus, 680)
    assert value_of(survey.of_device(name, rom)).broken


def test_who_cannot_is_told_apart(
    open_bus: OpenBus, bench_data: Data, new_device: Callable[..., dict[str, Any]]
) -> None:
    """A device without overdrive does not answer; a slow line is the line's fault."""
    data = bench_data([new_device(0x28, 9)], line={"pull_up_ohm": 1000, "cable_m": 1})
    survey, (rom,) = surveyed(open_bus(data), 1000)
    with pytest.raises(NobodyAnswers, match="does not answer in overdrive"):
        survey.of_device(Name.READ_0_HOLD, rom)
    data = bench_data([new_device(0x2D, 9)], line={"pull_up_ohm": 4700, "cable_m": 20})
    survey, (rom,) = surveyed(open_bus(data), 4700)
    with pytest.raises(CannotOverdrive, match="rises too slowly"):
        survey.of_device(Name.READ_0_HOLD, rom)
