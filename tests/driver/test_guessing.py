"""Guesses save time, find nothing by themselves, and cost a tenth at the worst."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.driver.bus import RomCommand
from harness.driver.guessing.prediction import Predictor
from harness.driver.search import enumerate_devices
from harness.errors import LineShorted, SlotproofError
from harness.wire.romcode import RomCode
from tests.logic_bus import LogicBus, PlainSearch, searched

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

BASE = 0xA4B30000


def codes(
    serials: st.SearchStrategy[int], most: int
) -> st.SearchStrategy[list[RomCode]]:
    """Lists of codes of a few families, each once."""
    rom = st.builds(RomCode.build, st.sampled_from([0x28, 0x28, 0x10, 0xA8]), serials)
    return st.lists(rom, min_size=1, max_size=most, unique=True)


SERIALS = st.one_of(
    st.integers(0, (1 << 48) - 1),
    st.integers(0, (1 << 32) - 1),
    st.integers(BASE, BASE + (1 << 18)),
    st.integers(0, 63).map(lambda n: BASE ^ (n << 40)),
    st.integers(0, 47).map(lambda place: BASE ^ (1 << place)),
    st.integers(0, 1 << 7).map(lambda n: ((1 << 48) - 1) ^ n),
)
TRIPS = st.sampled_from([0.0004, 0.0015, 0.017])
EXAMPLES = settings(max_examples=150)


@EXAMPLES
@given(roms=codes(SERIALS, 24), trip_s=TRIPS, data=st.data())
@pytest.mark.slow
def test_found_exactly_whatever_is_expected(
    roms: list[RomCode], trip_s: float, data: st.DataObject
) -> None:
    """Whatever codes are expected or were seen elsewhere, just those that are there are found."""
    others = data.draw(codes(SERIALS, 12))
    some = data.draw(st.lists(st.sampled_from(roms), unique=True))
    seen = data.draw(st.lists(st.sampled_from([*roms, *others])))
    bus = LogicBus(roms, trip_s=trip_s)
    result = searched(bus, expected=[*some, *others], seen=seen)
    assert result.found == sorted(roms, key=lambda rom: rom.bits)
    assert (result.rejected, result.dead_ends) == ([], [])
    assert result.passes == len(roms)


@EXAMPLES
@given(roms=codes(SERIALS, 24), trip_s=TRIPS)
@pytest.mark.slow
def test_wrong_guesses_cost_a_tenth_at_most(roms: list[RomCode], trip_s: float) -> None:
    """In round trips and in time, no population takes more than 1.1 times as without guesses."""
    plain, bus = LogicBus(roms, trip_s=trip_s), LogicBus(roms, trip_s=trip_s)
    assert searched(plain, PlainSearch).found == searched(bus).found
    assert bus.trips <= 1.1 * plain.trips + 1
    assert bus.now_s <= 1.1 * plain.now_s + bus.reset_s


@EXAMPLES
@given(roms=codes(SERIALS, 12), alarmed=st.data(), trip_s=TRIPS)
@pytest.mark.slow
def test_alarms_found_exactly(
    roms: list[RomCode], alarmed: st.DataObject, trip_s: float
) -> None:
    """A conditional search that expects everybody finds just those in alarm."""
    some = alarmed.draw(st.lists(st.sampled_from(roms), unique=True))
    bus = LogicBus(roms, trip_s=trip_s, alarmed=some)
    result = searched(bus, command=RomCommand.CONDITIONAL_SEARCH, expected=roms)
    assert result.found == sorted(some, key=lambda rom: rom.bits)


@EXAMPLES
@given(
    roms=codes(SERIALS, 8),
    flips=st.sets(st.integers(1, 600), min_size=1, max_size=6),
    expects=st.booleans(),
)
@pytest.mark.slow
def test_misheard_slots_invent_nobody(
    roms: list[RomCode], flips: set[int], expects: bool
) -> None:
    """With levels misheard, each code found is one that a walk was answered for to its end.

    Walks of a search without guesses end on the same kind of codes: a CRC that holds.
    What is found besides the devices needs a flip in its own walk: fewer than flips.
    """
    bus = LogicBus(roms, spoil=lambda n, level: level ^ (n in flips))
    try:
        result = searched(bus, expected=roms if expects else ())
    except LineShorted:
        return
    assert all(rom.is_possible for rom in result.found)
    assert len(set(result.found) - set(roms)) <= len(flips)


def test_lone_device() -> None:
    """READ ROM names it, one directed search proves it and that nobody else is there."""
    bus = LogicBus([RomCode.build(0x28, 0xA4B3C2D1)])
    assert searched(bus).found == [RomCode.build(0x28, 0xA4B3C2D1)]
    assert bus.trips == 4


def test_read_rom_of_several_that_looks_sound() -> None:
    """A wired AND whose CRC happens to hold is walked like any guess, and is nobody."""
    pair = next(
        (one, other)
        for n in range(1, 4000)
        for one in [RomCode.build(0x28, 0x5A5A5A)]
        for other in [RomCode.build(0x28, 0x3C3C00 + 7 * n)]
        if RomCode(bytes(a & b for a, b in zip(one.wire, other.wire, strict=True))).is_possible
        and one.serial & other.serial not in {one.serial, other.serial}
    )  # fmt: skip
    assert set(searched(LogicBus(pair)).found) == set(pair)


@pytest.mark.parametrize("count", [1, 8, 100])
def test_known_inventory(count: int) -> None:
    """A reset and a burst for each device, complete: nobody else is there."""
    roms = [RomCode.build(0x28, 0xA4B30000 + 977 * n) for n in range(count)]
    bus = LogicBus(roms)
    assert set(searched(bus, expected=roms).found) == set(roms)
    assert bus.trips <= 2.3 * count + 1


def test_stranger_among_known() -> None:
    """A device that nobody expects shows as a branch of one that is."""
    roms = [RomCode.build(0x28, 0xA4B30000 + 977 * n) for n in range(20)]
    stranger = RomCode.build(0x28, 0xA4B3FFFF)
    result = searched(LogicBus([*roms, stranger]), expected=roms)
    assert set(result.found) == {*roms, stranger}


def test_forecast_learns_a_lot() -> None:
    """After three codes of a lot its upper bits are nearly sure and its lower ones are not."""
    predictor = Predictor()
    for n in (0x11111, 0x2F0F0, 0x0ABCD):
        predictor.learn(RomCode.build(0x28, BASE + n))
    forecast = predictor.begin()
    forecast.take(RomCode.build(0x28, BASE).bits[:12])
    assert forecast.guess()[1] < 0.6
    forecast.take(RomCode.build(0x28, BASE).bits[12:40])
    bit, likely = forecast.guess()
    assert (bit, likely > 0.95) == (0, True)


def test_forecast_is_a_probability() -> None:
    """Along any path the likelier bit has a probability of one half or more, never one."""
    predictor = Predictor(RomCode.build(0x28, n * n) for n in range(40))
    for rom in (RomCode.build(0x28, 0x123456789ABC), RomCode.build(0x10, 7)):
        forecast = predictor.begin()
        for bit in rom.bits[:56]:
            _, likely = forecast.guess()
            assert 0.5 <= likely < 1
            forecast.take([bit])


FAULTS: dict[str, dict[str, Any]] = {
    "line-shorted": {"at_s": 0.1},
    "line-stuck-high": {"at_s": 0.1},
    "weak-pull-up": {"pull_up_ohm": 20_000},
    "extra-capacitance": {"extra_nf": 4},
    "bit-flips": {"probability": 0.002},
    "noise-burst": {"at_s": 0.08, "for_s": 0.05},
    "lifted-low": {"low_v": 1.0},
    "leakage": {"leak_ohm": 3000},
    "other-master": {"period_s": 0.05, "at_s": 0.01},
    "device-absent": {"device": "S2"},
    "device-drops-off": {"device": "S3", "at_s": 0.12},
    "presence-late": {"device": "S1", "wait_us": 90},
    "presence-long": {"device": "S1", "low_us": 280},
    "duplicate-rom": {"device": "S2", "original": "S1"},
    "wrong-rom-crc": {"device": "S2"},
    "zero-rom": {"device": "S2"},
    "supply-dip": {"device": "S1", "to_v": 0, "for_s": 0.01, "at_s": 0.1},
    "supply-lead-open": {"device": "S1"},
    "hot-plugging": {"device": "S2", "at_s": 0.1},
    "damaged-command": {"device": "S1", "command": 0xF0, "probability": 0.5},
    "left-in-overdrive": {"device": "S1"},
    "adapter-no-echo": {"at_s": 0.1},
    "adapter-drops-bytes": {"probability": 0.002},
    "adapter-unplugged": {"at_s": 0.1},
    "latency-jitter": {"jitter_ms": 20, "probability": 0.2},
    "receiver-inverted": {"at_s": 0.1},
    "doubled-echo": {"after_ms": 1},
    "host-gaps": {"gap_us": 2000, "probability": 0.1},
    "wrong-baud": {"error_percent": 3},
    "buffer-overrun": {"buffer_bytes": 96},
    "power-blink": {"at_s": 0.1},
}
"""Faults of the simulator, each bad enough to be met in a search of a third of a second."""


@pytest.mark.parametrize("expects", [False, True])
@pytest.mark.parametrize("kind", FAULTS)
def test_every_fault(
    open_bus: Make, bench_data: Make, new_device: Make, kind: str, expects: bool
) -> None:
    """Under each fault a search ends, by an error of ours or with nobody who is not there."""
    serials = [0xA4B30000 + 977 * n for n in range(6)]
    roms = {RomCode.build(0x28, serial) for serial in serials}
    fault = {"kind": kind, **FAULTS[kind]}
    data = bench_data([new_device(0x28, n) for n in serials], faults=[fault])
    try:
        bus = open_bus(data)
        result = enumerate_devices(bus, expected=sorted(roms) if expects else ())
    except SlotproofError:
        return
    assert set(result.found) <= roms
    assert not any(rom.is_possible for rom in result.rejected)
