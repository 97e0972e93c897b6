"""The driver's default frames, measured on the simulated line's voltage.

Limits stand here once more as published, so that neither ``wire.limits`` nor the
driver's arithmetic judges itself. Low times are taken at both input levels of a
device (0.8 V and 2.2 V, data sheet family 28h p. 19): the least low at the lower
level, the most at the upper one.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest

from harness.driver.bus import Bus
from harness.simulation.line.trace import Low
from harness.wire.clock_grid import GRIDS
from harness.wire.slots.frames import SlotFrames

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

VIL_V, VIH_V = 0.8, 2.2

CHIPS = sorted(set(GRIDS) - {"unknown"})
CASES = [
    pytest.param(kind, kind, sign * GRIDS[kind].tolerance_ppm, id=f"{kind} {sign:+d}")
    for kind in CHIPS
    for sign in (-1, 0, 1)
] + [
    pytest.param("unknown", kind, sign * 10_000, id=f"unknown {kind} {sign:+d}")
    for kind in CHIPS
    for sign in (-1, 1)
]
"""Declared chip, true chip, error of its clock: every kind at the ends of its tolerance."""

Measured = tuple[list[Low], list[Low]]


@pytest.fixture
def measure(
    open_bus: Callable[[Any], Bus],
    bench_data: Callable[..., Any],
    bench_of: Callable[[Bus], Any],
    new_device: Callable[..., Any],
) -> Callable[..., tuple[Bus, Callable[..., Measured]]]:
    """Open a bus with one device and measure the lows that an action makes."""

    def opened(
        declared: str, true: str, error_ppm: float
    ) -> tuple[Bus, Callable[..., Measured]]:
        adapter = {"kind": true, "error_ppm": error_ppm}
        data = bench_data([new_device(0x28, 77)], kind=declared, adapter=adapter)
        bus = open_bus(data)

        def lows(action: Callable[[], object]) -> Measured:
            trace = bench_of(bus).record_trace()
            action()
            bench_of(bus).stop_trace()
            return trace.lows(VIL_V), trace.lows(VIH_V)

        return bus, lows

    return opened


@pytest.mark.parametrize(("declared", "true", "error_ppm"), CASES)
def test_reset_and_presence_on_the_line(
    measure: Make, declared: str, true: str, error_ppm: float
) -> None:
    """Reset low lasts 480 to 640 us, presence 60 to 240 us, then high up to 480 us at least.

    Source: data sheet of an EEPROM part (DS2431) p. 3; family 28h p. 19.
    """
    bus, lows = measure(declared, true, error_ppm)

    def reset_then_slot() -> None:
        bus.reset()
        bus.write_bits_read([1], 0)

    inner, outer = lows(reset_then_slot)
    assert len(inner) == len(outer) == 3  # reset, presence, the slot after
    assert inner[0].length_us >= 480
    assert outer[0].length_us <= 640
    assert 60 <= inner[1].length_us <= outer[1].length_us <= 241  # 1 us of rise
    assert 15 <= inner[1].start_us - outer[0].end_us <= 61
    assert inner[2].start_us - outer[0].end_us >= 480


@pytest.mark.parametrize(("declared", "true", "error_ppm"), CASES)
def test_written_slots_on_the_line(
    measure: Make, declared: str, true: str, error_ppm: float
) -> None:
    """Write-1 low 1 to 15 us, write-0 low 60 to 120 us, then 5 us high; slots of 65 us or more.

    Source: data sheet of an EEPROM part (DS2431) p. 3 (15.4 kbit/s is 65 us a slot);
    common practice names the same values.
    """
    bus, lows = measure(declared, true, error_ppm)
    bits = [1, 0, 0, 1, 1, 1, 0, 1, 0, 0, 0, 0, 1, 1, 0, 1]
    bus.require_presence()
    inner, outer = lows(lambda: bus.write_bits_read(bits, 0))

    assert len(inner) == len(outer) == len(bits)
    for bit, least, most in zip(bits, inner, outer, strict=True):
        low, high = (1, 15) if bit else (60, 120)
        assert least.length_us >= low
        assert most.length_us <= high
    for before, after in pairwise(outer):
        assert after.start_us - before.end_us >= 5
        assert after.start_us - before.start_us >= 65


@pytest.mark.parametrize(("declared", "true", "error_ppm"), CASES)
def test_read_slots_on_the_line(
    measure: Make, declared: str, true: str, error_ppm: float
) -> None:
    """The host's own low in a read slot ends before 15 us, the last promised read instant.

    Source: data sheet of an EEPROM part (DS2431) p. 3; family 28h p. 15.
    """
    bus, lows = measure(declared, true, error_ppm)
    bus.require_presence()
    bus.write(b"\xcc\xbe")
    block = b""

    def read() -> None:
        nonlocal block
        block = bus.read(9)

    _, outer = lows(read)
    ones = [bit for byte in block for bit in _bits(byte)]
    assert ones.count(1) > 8
    for bit, low in zip(ones, outer, strict=True):
        assert low.length_us <= (15 if bit else 61)


def _bits(byte: int) -> list[int]:
    return [byte >> place & 1 for place in range(8)]


def test_customary_rate_below_a_tenth_of_a_megabaud_breaks_the_limits(
    measure: Make,
) -> None:
    """At 57600 baud the write-1 low exceeds 15 us: this check can fail.

    Source: arithmetic of a character's start bit.
    """
    bus, lows = measure("exact", "exact", 0)
    bus.slots = SlotFrames(57_600, 57_600.0, 0xE0, -1.0, "too slow")
    bus.require_presence()
    inner, _ = lows(lambda: bus.write_bits_read([1, 1, 1], 0))
    assert all(low.length_us > 15 for low in inner)
