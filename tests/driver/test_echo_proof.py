"""The patterns of the self-check: what they tell apart, and that no device minds them."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.echo_damage import impossible_echoes, name_damage
from harness.driver.echo_proof import PATTERN_BAUD, PATTERNS
from harness.errors import EchoDamaged
from harness.wire.clock_grid import GRIDS
from harness.wire.limits import STANDARD
from harness.wire.romcode import RomCode
from tests.read_rom import read_rom

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

RESETS_FROM_US = 120.0
"""A low in the middle of traffic that may be taken for a reset (data sheets DS18B20 p. 19, DS2431 p. 2-3, DS1996 p. 13-18)."""

CHANGES: dict[str, Callable[[bytes], bytes]] = {
    "7-bit": lambda s: bytes(c & 0x7F for c in s),
    "parity-even": lambda s: bytes(c & 127 | (c & 127).bit_count() % 2 << 7 for c in s),
    "parity-odd": lambda s: bytes(
        c & 127 | (1 - (c & 127).bit_count() % 2) << 7 for c in s
    ),
    "parity-mark": lambda s: bytes(c | 0x80 for c in s),
    "parity-dropped": lambda s: bytes(c for c in s if c.bit_count() % 2 == 0),
    "inverted": lambda s: bytes(c ^ 0xFF for c in s),
    "doubled": lambda s: bytes(c for c in s for _ in (0, 1)),
    "half": lambda s: s[1::2],
    "constant": lambda s: b"\x90" * len(s),
    "xon-xoff": lambda s: s.replace(b"\x11", b"").replace(b"\x13", b""),
    "cr-lf": lambda s: s.replace(b"\r", b"\n"),
    "escaped": lambda s: s.replace(b"\xff", b"\xff\xff"),
    "lost": lambda s: s[:3] + s[4:],
    "surplus": lambda s: s + b"\x41",
    "changed": lambda s: s[:5] + bytes([s[5] ^ 0xFF]) + s[6:],
    "silent": lambda _: b"",
}


@pytest.mark.parametrize("name", CHANGES)
def test_each_damage_has_its_name(name: str) -> None:
    """One burst tells them apart."""
    found = name_damage(PATTERNS, CHANGES[name](PATTERNS))
    assert found is not None
    assert found.name == name
    assert found.hint


def test_whole_patterns_are_no_damage() -> None:
    """What is sent comes back."""
    assert name_damage(PATTERNS, PATTERNS) is None


def test_a_slow_edge_is_told_apart() -> None:
    """Ones right behind a zero that come back as zeros are the line's, not the adapter's."""
    slow = bytes(c & (c << 1 & 0xFF) for c in PATTERNS)
    found = name_damage(PATTERNS, slow)
    assert found is not None
    assert found.is_slow_edge


@pytest.mark.parametrize("kind", GRIDS)
def test_no_pattern_is_a_reset_and_the_slowest_edge_reads_right(kind: str) -> None:
    """Longest low plus the slowest legal rise stay below 120 us; 7/16 bit bear that rise.

    Source: data sheets DS18B20 p. 19, DS2431 p. 2-3, DS1996 p. 13-18 (120 us); a 16x receiver samples within a
    sixteenth of a bit (arithmetic).
    """
    baud = GRIDS[kind].achieved(PATTERN_BAUD)
    assert STANDARD.read_sample.high_us is not None
    assert STANDARD.write_1_low.low_us is not None
    rise_us = STANDARD.read_sample.high_us - STANDARD.write_1_low.low_us
    bits = max(
        len(run)
        for value in PATTERNS
        for run in re.findall("0+", "0" + f"{value:08b}"[::-1] + "1")
    )
    assert bits * 1e6 / baud * 1.015 + rise_us < RESETS_FROM_US
    assert 7 / 16 * 1e6 / baud > rise_us


@pytest.mark.parametrize(
    "name", ["7-bit", "inverted", "half", "cr-lf", "escaped", "constant"]
)
def test_the_self_check_names_it(rigged: Make, name: str) -> None:
    """A damaged echo ends the run before anything is judged, and says which damage."""
    from harness.driver.bus import Bus

    adapter, port = rigged()
    true_write = port.write

    def write(data: bytes) -> int:
        return int(true_write(CHANGES[name](data) or data[:0]))

    port.write = write
    with adapter.open(), pytest.raises(EchoDamaged) as raised:
        Bus(adapter).prove()
    assert raised.value.facts["damage"] == name


def test_devices_do_not_take_the_patterns_for_a_command(bus_with: Make) -> None:
    """After the proof every device answers as before it, none has converted or written."""
    one = RomCode.build(0x28, 1)
    with bus_with([one]) as bus:
        before = bus.transact(one, b"\xbe", 9)
        bus.prove()
        assert bus.transact(one, b"\xbe", 9) == before
        assert read_rom(bus) == one


def test_echoes_that_no_device_makes() -> None:
    """Lifted lows and second pulses are; longer lows from a slot's start are not."""
    assert impossible_echoes(b"\xff\x00\xff", b"\xf8\x00\xfe") == 0
    assert impossible_echoes(b"\x00\xff\xff", b"\x01\x7f\x50") == 3
    # without any lifted low: a second pulse in a slot, though not in another character
    assert impossible_echoes(b"\xff\xff", b"\xfe\x50") == 1
    assert impossible_echoes(b"\xff\x55", b"\xff\x51") == 0
    assert impossible_echoes(b"\xff\x55", b"\xff\x57") == 1
