"""What probes make of echoes and blocks, by arithmetic from published tables."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from harness.diagnosis.probes.devices import in_alarm
from harness.diagnosis.probes.line import examine_adapter, listen, released_us
from harness.diagnosis.probes.raw_link import RawLink
from harness.diagnosis.probes.searches import (
    count_verified,
    is_lifted,
    misses_single_lows,
)
from harness.diagnosis.probes.thermometer_blocks import (
    flips_between,
    is_slip,
    read_again_and_again,
)
from harness.driver.search import answers_as
from harness.families.thermometers.thermometer import ThermometerScratchpad, prove
from harness.wire.crc import crc8
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


@pytest.mark.parametrize(
    ("echo", "before_us", "after_us"),
    [
        ("FF", 8.7, 13.0),
        ("FE", 13.0, 21.7),
        ("FC", 21.7, 30.4),
        ("F8", 30.4, 39.1),
        ("F0", 39.1, 47.7),
        ("E0", 47.7, 56.4),
        ("C0", 56.4, 65.1),
        ("80", 65.1, 73.8),
        ("00", 73.8, 82.5),
    ],
)
def test_echo_as_a_ruler(echo: str, before_us: float, after_us: float) -> None:
    """An FFh slot at 115200 baud says when the line was free, from its start edge.

    Source: arithmetic of the UART: FF before 13.0 us, FE 13 to 22 us and so on.
    """
    low_us, high_us = released_us(echo, 115_200)
    start_us = 1e6 / 115_200
    assert start_us + low_us == pytest.approx(before_us, abs=0.1)
    assert start_us + high_us == pytest.approx(after_us, abs=0.1)


GOOD = bytes.fromhex("91 01 4B 46 7F FF 0F 10 25")


def test_slip_of_a_published_block() -> None:
    """One 0 slot in front of 25.06 degC makes 50.13 degC, check value right.

    Source: arithmetic of the CRC.
    """
    slipped = bytes.fromhex("22 03 96 8C FE FE 1F 20 4A")
    assert crc8(slipped) == 0
    assert is_slip(GOOD, slipped)
    assert not is_slip(GOOD, GOOD)


def test_slip_of_a_published_rom_code() -> None:
    """28 4A 17 C3 0A 00 00 52 becomes 50 94 2E 86 15 00 00 A4 (same source)."""
    good = bytes.fromhex("28 4A 17 C3 0A 00 00 52")
    slipped = bytes.fromhex("50 94 2E 86 15 00 00 A4")
    assert crc8(good) == crc8(slipped) == 0
    assert is_slip(good, slipped)


def test_half_of_all_slips_pass_the_check() -> None:
    """A check that starts at 0 is blind to a leading 0 where its own last bit is 0.

    Source: simulated on 20 000 codes: 49.6 % pass; arithmetic of the CRC says half.
    """
    random = Random(10)
    passed = 0
    for _ in range(20_000):
        body = random.randbytes(7)
        whole = int.from_bytes(body + bytes([crc8(body)]), "little")
        passed += crc8((whole << 1 & (1 << 64) - 1).to_bytes(8, "little")) == 0
    assert 0.48 < passed / 20_000 < 0.52


def test_two_blocks_of_one_code_are_anded() -> None:
    """Two probes of one ROM code give their wired AND, and its check value is wrong.

    Source: wired AND of the two blocks, computed.
    """
    first = bytes.fromhex("91 01 4B 46 7F FF 0F 10 25")
    second = bytes.fromhex("9E 01 4B 46 7F FF 02 10 56")
    both = bytes(a & b for a, b in zip(first, second, strict=True))
    assert both == bytes.fromhex("90 01 4B 46 7F FF 02 10 04")
    assert crc8(both) != 0
    up, down = flips_between(first, both)
    assert (up, down > 0) == (0, True)


@pytest.mark.parametrize(
    ("degc", "high", "low", "alarm"),
    [(25.0, 30, 10, False), (30.0, 30, 10, True), (29.94, 30, 10, False), (10.9, 30, 10, True), (11.0, 30, 10, False), (-10.5, 30, -11, True)],
)  # fmt: skip
def test_alarm_by_whole_degrees(degc: float, high: int, low: int, alarm: bool) -> None:
    """TH and TL are compared with the integer part, equality included.

    Source: data sheet family 28h, operation of the alarm signal.
    """
    raw = int(degc * 16) & 0xFFFF
    body = raw.to_bytes(2, "little") + bytes(
        [high & 0xFF, low & 0xFF, 0x7F, 0xFF, 0, 16]
    )
    block = prove(body + bytes([crc8(body)]), 0x28)
    assert isinstance(block, ThermometerScratchpad)
    assert in_alarm(block) is alarm


def test_blocks_are_sorted_by_what_came(
    open_bus: Make, bench_data: Make, new_device: Make, bench_of: Make
) -> None:
    """Zeros and torn blocks among good ones: each is counted as what it is."""
    faults = [{"kind": "bit-flips", "probability": 0.004}]
    bus = open_bus(bench_data([new_device(0x28, 5)], faults=faults, seed=4))
    blocks = read_again_and_again(bus, RomCode.build(0x28, 5), 30)
    counted = blocks.whole + blocks.check_wrong + sum(blocks.troubles.values())
    assert blocks.reads == 30
    assert 0 < blocks.whole < 30
    assert counted + blocks.slipped + blocks.impossible == 30
    assert len(blocks.bad_at_s) == 30 - blocks.whole
    assert bytes.fromhex(blocks.usual)[:2] == b"\x50\x05"


def test_the_ear_never_raises_on_counts(
    open_bus: Make, bench_data: Make, new_device: Make
) -> None:
    """Silence is a number, not an error, and costs three tries at most."""
    bus = open_bus(
        bench_data([new_device(0x28, 5)], faults=[{"kind": "adapter-no-echo"}])
    )
    found = examine_adapter(RawLink(bus))
    assert (found.ones.sent, found.ones.silent) == (3, 3)
    assert found.measured_baud is None
    assert found.bursts == {}


def test_nobody_speaks_on_a_sound_bus(
    open_bus: Make, bench_data: Make, new_device: Make
) -> None:
    """Ten seconds of silence, and the time is the port's."""
    bus = open_bus(bench_data([new_device(0x28, 5)]))
    started_s = bus.clock.now_s()
    idle = listen(RawLink(bus), 10.0)
    assert idle.arrivals == ()
    assert idle.for_s == pytest.approx(10.0, abs=0.06)
    assert bus.clock.now_s() - started_s == pytest.approx(10.05, abs=0.2)


def test_rate_is_timed_within_its_doubt(
    open_bus: Make, bench_data: Make, new_device: Make
) -> None:
    """An oscillator 9 % fast is measured as such, whatever the echoes say."""
    for ppm in (0, 90_000, -50_000):
        data = bench_data([new_device(0x28, 5)], adapter={"error_ppm": ppm})
        found = examine_adapter(RawLink(open_bus(data)))
        assert found.measured_baud is not None
        error = found.measured_baud / found.asked_baud - 1
        assert error == pytest.approx(ppm * 1e-6, abs=found.rate_doubt)


@pytest.mark.parametrize(
    ("bad", "flips"),
    [
        ("F7 41 55 00 7F FF 0C 51 3F", 3),
        ("F7 01 55 40 7F FF 4C 14 7F", 4),
    ],
)
def test_lows_lifted_by_a_fan(bad: str, flips: int) -> None:
    """All bits turned 0 to 1 beside the good neighbour, none 1 to 0 (public report)."""
    good = bytes.fromhex("F7 01 55 00 7F FF 0C 10 3F")
    assert crc8(good) == 0
    assert crc8(bytes.fromhex(bad)) != 0
    assert flips_between(good, bytes.fromhex(bad)) == (flips, 0)


def test_lows_lifted_by_a_fan_at_another_value() -> None:
    """The third block of the same report: three bits, the same way."""
    good = bytes.fromhex("F8 01 55 00 7F FF 0C 10 C5")
    bad = bytes.fromhex("F8 05 55 00 7F FF 4C 14 C5")
    assert flips_between(good, bad) == (3, 0)


def test_a_block_of_the_coarse_family() -> None:
    """22.25 degC by the finer formula of family 10h: half degrees, no sixteenths.

    Source: 22 - 0.25 + (16 - 8) / 16, data sheet of family 10h; built block.
    """
    block = prove(bytes.fromhex("2D 00 4B 46 FF FF 08 10 FE"), 0x10)
    assert block.temperature_degc in {22.25, 22.5}
    assert not block.is_power_on_value
    assert prove(bytes.fromhex("AA 00 B4 B9 FF FF 0C 10 18"), 0x10).is_power_on_value


def _levels(rom: RomCode, away: range = range(0)) -> list[int]:
    """What a directed search reads of a device that is away at these positions.

    Behind them it is out of step, here by one position, until the next reset.
    """
    levels = []
    for n, bit in enumerate(rom.bits):
        mine = rom.bits[n - 1] if away and n >= away.stop else bit
        pulls = n not in away
        levels += [int(not pulls or mine), int(not pulls or not mine), bit]
    return levels


def test_a_low_that_is_lifted_leaves_the_device_in_step() -> None:
    """Single lows missing before a right CRC: it was there. Away: out of step behind."""
    rom = RomCode.build(0x28, 6831385)
    sound = _levels(rom)
    assert answers_as(rom, sound)
    assert not misses_single_lows(rom, sound)
    for place in range(56):
        lifted = list(sound)
        lifted[3 * place + rom.bits[place]] = 1
        assert not answers_as(rom, lifted)
        assert misses_single_lows(rom, lifted)
        assert not misses_single_lows(rom, _levels(rom, range(place, 64)))
        assert not misses_single_lows(rom, _levels(rom, range(place, place + 1)))


@pytest.mark.parametrize(
    ("fault", "lifts"),
    [
        (
            {
                "kind": "noise-burst",
                "amplitude_v": 4.6,
                "width_us": 4.5,
                "polarity": "up",
            }
            | {"for_s": 0.0105, "every_s": 0.11},
            True,
        ),
        (
            {"kind": "device-drops-off", "device": "S1", "contact": "all"}
            | {"for_s": 0.0105, "every_s": 0.11},
            False,
        ),
    ],
    ids=["noise", "contact"],
)
def test_noise_lifts_zeros_of_the_host_and_a_contact_none(
    open_bus: Make,
    bench_data: Make,
    new_device: Make,
    fault: dict[str, Any],
    lifts: bool,
) -> None:
    """Searches are lost to both; a zero that came back high tells them apart."""
    bus = open_bus(
        bench_data([new_device(0x28, 6831385)], faults=[fault], seed=9845856)
    )
    counted = count_verified(bus, RomCode.build(0x28, 6831385), 100)
    assert counted.answered < 95
    assert bool(counted.zeros_lifted + counted.lows_missed) is lifts


def test_a_start_bit_that_came_early_lifts_nothing() -> None:
    """A spike on the idle line before a low: its first bits read high, the rest low."""
    assert [ones for ones in range(256) if not is_lifted(ones)] == [
        0, 1, 3, 7, 15, 31, 63, 127, 255,
    ]  # fmt: skip
