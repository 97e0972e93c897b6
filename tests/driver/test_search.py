"""Finding devices: published examples, hard populations, and what must not be found."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.bus import Bus, RomCommand
from harness.driver.search import (
    Search,
    enumerate_alarms,
    enumerate_devices,
    verify,
)
from harness.errors import LineError, LineShorted, NobodyAnswers, NoEcho, SlotDisturbed
from harness.simulation.faults import settings as fs
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

FIVE = {
    "28AA5C01000000B6": 2,
    "28AA5C020000003E": 1,
    "10E63BC50008005A": 0,
    "2D44332211000022": 4,
    "010203040506070F": 3,
}
"""ROM codes in wire order and their place in a zero-first search (application note 187; worked by hand)."""


def from_first_bits(bits: str) -> RomCode:
    """A ROM code whose first eight bits on the wire are these."""
    family = int(bits[::-1], 2)
    return RomCode.build(family, 0)


def test_published_four_devices(bus_with: Make) -> None:
    """The data sheet's four ROM codes come in the order ROM4, ROM1, ROM2, ROM3.

    Source: data sheet family 28h p. 12 (first bits); order by the published rule.
    """
    published = {
        "ROM1": "00110101",
        "ROM2": "10101010",
        "ROM3": "11110101",
        "ROM4": "00010001",
    }
    roms = {name: from_first_bits(bits) for name, bits in published.items()}
    names = {rom: name for name, rom in roms.items()}
    with bus_with(list(roms.values())) as bus:
        found = enumerate_devices(bus).found
    assert [names[rom] for rom in found] == ["ROM4", "ROM1", "ROM2", "ROM3"]


def test_five_devices_of_full_length(bus_with: Make) -> None:
    """Five ROM codes that share long prefixes are found, each once and proved.

    Source: worked by hand after application note 187.
    """
    roms = [RomCode(bytes.fromhex(text)) for text in FIVE]
    assert all(rom.crc_holds for rom in roms)
    with bus_with(roms) as bus:
        result = enumerate_devices(bus)
    order = sorted(FIVE, key=FIVE.__getitem__)
    assert result.found == [RomCode(bytes.fromhex(text)) for text in order]
    assert (result.passes, result.rejected, result.dead_ends) == (5, [], [])


def test_cost_of_an_unknown_device(bus_with: Make) -> None:
    """No unknown device costs more than 64 round trips, and no reset more than 2 rate changes."""
    for count in (1, 2, 8, 20):
        roms = [RomCode.build(0x28, 7919 * n * n + 1) for n in range(count)]
        with bus_with(roms) as bus:
            assert len(enumerate_devices(bus).found) == count
            assert bus.traffic.bursts <= 64 * count
            assert bus.traffic.rate_changes <= 2 * bus.traffic.resets


def test_cost_of_a_known_device(bus_with: Make) -> None:
    """Proving a known device takes its reset and one burst of 200 slots."""
    roms = [RomCode.build(0x28, n) for n in range(5)]
    with bus_with(roms) as bus:
        assert verify(bus, roms[3])
        assert bus.traffic.as_dict() == {
            "resets": 1,
            "slots": 1 + 8 + 3 * 64,
            "bursts": 2,
            "rate_changes": 2,
        }


@pytest.mark.parametrize("others", [0, 1, 9])
def test_verify_present_and_absent(bus_with: Make, others: int) -> None:
    """A known code is proved alone or among others; one bit off is absent."""
    one = RomCode.build(0x28, 1 << 47)
    roms = [one, *(RomCode.build(0x28, n) for n in range(1, others + 1))]
    with bus_with(roms) as bus:
        assert all(verify(bus, rom) for rom in roms)
        for place in range(48):
            other = RomCode.build(0x28, one.serial ^ (1 << place))
            assert verify(bus, other) is (other in roms)


def test_verify_on_an_empty_bus(bus_with: Make) -> None:
    """Nobody there is not the same as that device absent."""
    with bus_with([]) as bus, pytest.raises(NobodyAnswers):
        verify(bus, RomCode.build(1, 1))


def test_empty_bus_is_no_enumeration(bus_with: Make) -> None:
    """An empty bus raises: an empty list would read as a result."""
    with bus_with([]) as bus, pytest.raises(NobodyAnswers):
        enumerate_devices(bus)


@pytest.mark.parametrize("flip", [0x01, 0x80, 0xFF])
@pytest.mark.parametrize("neighbours", [0, 1, 3])
def test_wrong_crc_is_named_and_hides_nobody(
    bus_with: Make, flip: int, neighbours: int
) -> None:
    """A code with a wrong CRC is rejected by name; its neighbours are found none the less."""
    good = [RomCode.build(0x28, 0x100 + n) for n in range(neighbours)]
    sound = RomCode.build(0x28, 0x55)
    spoilt = RomCode(sound.wire[:7] + bytes([sound.wire[7] ^ flip]))
    with bus_with([spoilt, *good]) as bus:
        result = enumerate_devices(bus)
    assert set(result.found) == set(good)
    assert result.rejected == [spoilt]


def test_wrong_crc_beside_the_right_one(bus_with: Make) -> None:
    """Two devices that share 56 bits, one CRC right and one wrong: one found, one rejected."""
    sound = RomCode.build(0x28, 0xABCDEF)
    for flip in (0x01, 0x10, 0x80, 0xFF):
        spoilt = RomCode(sound.wire[:7] + bytes([sound.wire[7] ^ flip]))
        with bus_with([spoilt, sound]) as bus:
            result = enumerate_devices(bus)
        assert result.found == [sound]
        assert result.rejected == [spoilt]


def test_all_zero_code_is_rejected(bus_with: Make) -> None:
    """Eight zero bytes pass the CRC and are no device, alone or among others."""
    zero, good = RomCode(bytes(8)), RomCode.build(0x28, 5)
    assert zero.crc_holds
    for roms in ([zero], [zero, good]):
        with bus_with(roms) as bus:
            result = enumerate_devices(bus)
        assert result.rejected == [zero]
        assert result.found == [rom for rom in roms if rom == good]


def test_duplicates_count_once(bus_with: Make) -> None:
    """Two devices with one code look like one; the code is listed once."""
    twin, other = RomCode.build(0x28, 6), RomCode.build(0x28, 7)
    with bus_with([twin, twin, other]) as bus:
        assert sorted(enumerate_devices(bus).found) == sorted([twin, other])


def test_line_that_goes_low_in_a_search(bus_with: Make, bench_of: Make) -> None:
    """A short at any instant of a search is told as one, never as an end of the list.

    Where it begins behind a written 0, or in the pause before one, its only sign is a
    00h that looks like the echo of that 0: it cannot be told from a lost receive lead,
    and both are named. A search of these codes begins three of four bursts with a 0.
    """
    kinds = []
    for at_us in range(100_000, 104_000, 370):
        with bus_with([RomCode.build(0x28, n) for n in range(1, 9)]) as bus:
            at_s = bench_of(bus).clock.now_s() + at_us * 1e-6
            bench_of(bus).faults.plan(
                fs.ShortedLineFault(kind="line-shorted", at_s=at_s)
            )
            with pytest.raises((LineShorted, NoEcho)) as raised:
                enumerate_devices(bus)
            assert "low" in str(raised.value)
            kinds.append(type(raised.value))
    assert LineShorted in kinds
    assert NoEcho in kinds


def test_line_that_reads_low_everywhere(rigged: Make) -> None:
    """Both bits 0 at all 64 positions cannot be 64 branches: the line is low."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        zero = bus.slots.write_0_byte

        def low_when_read(data: bytes) -> int:
            if len(data) == 1:  # a reset with somebody there
                return int(type(port).write(port, b"\xf0"))
            ones = data[:9].count(0xFF)
            lead = 8 if ones >= 4 and len(data) in {10, 200} else 1
            body = [
                byte if (n - lead) % 3 == 2 or n < lead else zero
                for n, byte in enumerate(data)
            ]
            return int(type(port).write(port, bytes(body)))

        port.write = low_when_read
        with pytest.raises(LineShorted, match="all 64 positions"):
            enumerate_devices(bus)


@pytest.mark.parametrize("at_s", [0.01, 0.07, 0.13, 0.2, 0.3])
def test_device_that_drops_off_in_a_search(
    open_bus: Make, bench_data: Make, new_device: Make, bench_of: Make, at_s: float
) -> None:
    """A device that goes in the middle is missing or found, never replaced by a phantom."""
    devices = [new_device(0x28, 3 * n + 1) for n in range(6)]
    roms = {RomCode.build(0x28, 3 * n + 1) for n in range(6)}
    bus = open_bus(bench_data(devices))
    bench_of(bus).faults.plan(
        fs.DeviceDropsOff(
            kind="device-drops-off",
            device="S4",
            at_s=bench_of(bus).clock.now_s() + at_s,
        )
    )
    result = enumerate_devices(bus)
    gone = RomCode.build(0x28, 10)
    assert set(result.found) - {gone} == roms - {gone}
    assert result.rejected == []
    if gone not in result.found and result.passes > 5:
        assert result.dead_ends


def test_dead_end_keeps_its_place(
    open_bus: Make, bench_data: Make, new_device: Make, bench_of: Make
) -> None:
    """A branch that was seen and then leads nowhere is recorded with position and path."""
    bus = open_bus(bench_data([new_device(0x28, 2), new_device(0x28, 1)]))
    # the first pass walks serial 2 (its bit 0 is 0) and notes the branch of serial 1
    bench_of(bus).faults.plan(
        fs.DeviceDropsOff(
            kind="device-drops-off",
            device="S2",
            at_s=bench_of(bus).clock.now_s() + 0.05,
        )
    )
    result = enumerate_devices(bus)
    assert result.found == [RomCode.build(0x28, 2)]
    assert [dead.position for dead in result.dead_ends] == [9] * 3
    family = "".join(map(str, RomCode.build(0x28, 0).bits[:8]))
    assert {dead.path for dead in result.dead_ends} == {family}


def test_alarm_search_finds_exactly_the_alarmed(
    open_bus: Make, bench_data: Make, new_device: Make
) -> None:
    """Only devices whose last conversion met their alarm take part.

    Source: data sheet family 28h p. 5 (T at or above TH, or at or below TL).
    """
    cases = {
        1: {"temperature_degc": 30, "alarm_high_degc": 30, "alarm_low_degc": 0},
        2: {"temperature_degc": 29, "alarm_high_degc": 30, "alarm_low_degc": 0},
        3: {"temperature_degc": -1, "alarm_high_degc": 30, "alarm_low_degc": 0},
        4: {"temperature_degc": 12, "alarm_high_degc": 30, "alarm_low_degc": 0},
    }
    bus = open_bus(bench_data([new_device(0x28, n, **c) for n, c in cases.items()]))
    assert enumerate_alarms(bus).found == []
    bus.transact(None, b"\x44")
    bus.clock.sleep(0.8)
    alarmed = {RomCode.build(0x28, 1), RomCode.build(0x28, 3)}
    assert set(enumerate_alarms(bus).found) == alarmed
    assert len(enumerate_devices(bus).found) == 4


def test_no_alarm_is_an_answer(
    open_bus: Make, bench_data: Make, new_device: Make
) -> None:
    """Nobody in alarm is an empty list in one pass, not a failure."""
    bus = open_bus(bench_data([new_device(0x28, 1)]))
    result = enumerate_alarms(bus)
    assert (result.found, result.rejected, result.passes) == ([], [], 1)


def test_disturbed_passes_are_counted_and_repeated(
    bus_with: Make, bench_of: Make
) -> None:
    """A pass in which a written slot came back changed is walked again and counted."""
    roms = [RomCode.build(0x28, 9), RomCode.build(0x28, 12)]
    with bus_with(roms) as bus:
        now_s = bench_of(bus).clock.now_s()
        bench_of(bus).faults.plan(
            fs.BitFlips(
                kind="bit-flips", probability=1, at_s=now_s + 0.0305, for_s=0.006
            )
        )
        result = enumerate_devices(bus)
    assert set(result.found) == set(roms)
    assert result.disturbed_passes + len(result.dead_ends) >= 1


def test_endless_disturbance_is_an_error(bus_with: Make) -> None:
    """A bus on which no pass stays whole is a line error, not an empty list."""
    faults = [{"kind": "bit-flips", "probability": 1.0, "at_s": 0.0}]
    with (
        bus_with([RomCode.build(0x28, 9)], faults=faults) as bus,
        pytest.raises((LineError, NobodyAnswers)),
    ):
        enumerate_devices(bus)


def test_passes_are_bounded(bus_with: Make) -> None:
    """A walk that never ends on its own is given up after a number of passes."""
    roms = [RomCode.build(0x28, n) for n in range(10)]
    with bus_with(roms) as bus:
        assert Search(bus, most=4).run().passes == 4


@pytest.mark.parametrize("seed", range(40))
def test_noise_makes_no_phantom(bus_with: Make, seed: int) -> None:
    """With 0.3 % of all slots flipped a device may be missed, never invented; verify agrees."""
    roms = [RomCode.build(0x28, 7001 * n + 3) for n in range(6)]
    faults = [{"kind": "bit-flips", "probability": 0.003}]
    with bus_with(roms, faults=faults, seed=seed) as bus:
        try:
            found = enumerate_devices(bus).found
        except (LineError, NobodyAnswers):
            found = []  # said, not invented
        assert set(found) <= set(roms)
        for rom in found:
            assert any(_try_verify(bus, rom) for _ in range(10))


def _try_verify(bus: Bus, rom: RomCode) -> bool:
    try:
        return verify(bus, rom)
    except (SlotDisturbed, LineError, NobodyAnswers):
        return False


def test_conditional_command_is_the_published_one() -> None:
    """Search is F0h and conditional search ECh.

    Source: data sheet family 28h p. 10.
    """
    assert (RomCommand.SEARCH, RomCommand.CONDITIONAL_SEARCH) == (0xF0, 0xEC)
