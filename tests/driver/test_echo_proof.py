"""The patterns of the self-check: what they tell apart, and that no device minds them."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise
from typing import Any, cast

import pytest

from harness.driver.adapter import Adapter
from harness.driver.echo_damage import Damage, impossible_echoes, name_damage
from harness.driver.echo_proof import (
    PATTERN_BAUD,
    PATTERNS,
    EchoProof,
    echo_damaged,
    echo_doubt,
)
from harness.errors import EchoDamaged, EchoDoubtful
from harness.wire.clock_grid import GRIDS
from harness.wire.limits import STANDARD
from harness.wire.romcode import RomCode
from harness.wire.slots.frames import choose_reset, choose_slots
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


class Scripted:
    """An adapter that keeps what is gathered and answers by rule.

    Attributes:
        sent: characters, rate and stop bits of each burst, in order.
        answers: what comes back instead of each burst, as far as it reaches.
    """

    url = "scripted"

    def __init__(self, *answers: bytes | None) -> None:
        self.sent: list[tuple[bytes, int, int]] = []
        self.settled = 0
        self._answers = list(answers)

    def settle(self) -> bytes:
        """Nothing is late."""
        self.settled += 1
        return b""

    def gather(self, frames: bytes, baud: int, stop_bits: int) -> bytes:
        """What a test says, else the echo."""
        self.sent.append((frames, baud, stop_bits))
        answer = self._answers.pop(0) if self._answers else None
        return frames if answer is None else answer


SLOTS, RESET = choose_slots(GRIDS["exact"]), choose_reset(GRIDS["exact"])
ONES = b"\xff" * 8
SLOW = bytes(c & (c << 1 & 0xFF) for c in PATTERNS)
SLOWER = bytes(c & (c << 1 & c << 2 & 0xFF) | (c & 1) for c in PATTERNS)


def proof(*answers: bytes | None) -> tuple[EchoProof, Scripted]:
    """A proof behind an adapter with these answers to reset, ones, patterns, values."""
    adapter = Scripted(*answers)
    return EchoProof(cast("Adapter", adapter), RESET, SLOTS), adapter


def test_order_and_rates_of_what_is_sent() -> None:
    """A reset, eight ones at the slot rate, the patterns, and every value at the slot rate."""
    made, adapter = proof()
    assert made.damage(bursts=2, every_value=True) is None
    at_slots = (SLOTS.request_baud, SLOTS.stop_bits)
    frames = [frame for frame, _, _ in adapter.sent]
    assert frames[:4] == [bytes([RESET.frame.byte]), ONES, PATTERNS, PATTERNS]
    assert [rest for _, *rest in adapter.sent] == [
        [RESET.request_baud, RESET.frame.stop_bits],
        [*at_slots],
        [38_400, 1],
        [38_400, 1],
        [*at_slots],
    ]
    assert adapter.settled == 1
    values = frames[4]
    assert sorted(values) == list(range(256))
    # a value that is repeated, dropped or replaced by its neighbour shows
    assert min(abs(a - b) for a, b in pairwise(values)) > 1
    made, adapter = proof()
    made.require()
    assert [frame for frame, _, _ in adapter.sent] == frames[:3]


def test_no_pattern_before_eight_ones() -> None:
    """Devices that saw fewer could go on from there: nothing more is sent."""
    made, adapter = proof(None, ONES[1:])
    found = made.damage(every_value=True)
    assert found is not None
    assert found.got == ONES[1:]
    assert [frame for frame, _, _ in adapter.sent[1:]] == [ONES]


def test_ones_that_come_back_changed_leave_the_values_out() -> None:
    """They are a matter of the line at that rate; the patterns stand for themselves."""
    made, adapter = proof(None, b"\xfe" * 8)
    assert made.damage(every_value=True) is None
    assert adapter.sent[-1] == (PATTERNS, 38_400, 1)


@pytest.mark.parametrize(
    ("answers", "got"),
    [
        # an edge does the same each time: it is the line's
        ((SLOW, SLOW), None),
        # an adapter that spoils characters does not
        ((SLOW, SLOWER), SLOWER),
        ((SLOW, None), SLOW),
        ((None,), None),
        ((PATTERNS[:-1],), PATTERNS[:-1]),
    ],
)
def test_a_slow_edge_is_asked_for_twice(
    answers: tuple[bytes | None, ...], got: bytes | None
) -> None:
    """Twice the same is no damage; anything else is what came last, or came at all."""
    made, _ = proof(None, None, *answers)
    found = made.damage()
    assert (None if found is None else found.got) == got


def test_every_value_at_the_slot_rate() -> None:
    """A slow edge there is the line's; anything else is damage."""
    values = proof_values()
    slow = bytes(c & (c << 1 & 0xFF) for c in values)
    made, _ = proof(None, None, None, slow)
    assert made.damage(every_value=True) is None
    made, _ = proof(None, None, None, values[:-1])
    with pytest.raises(EchoDamaged) as raised:
        made.require(every_value=True)
    # twelve characters are shown, and that there are more
    shown = values[:12].hex(" ").upper() + " .."
    assert f"(sent {shown}, got {shown})" in str(raised.value)
    assert raised.value.facts["got"] == values[:-1].hex().upper()


def proof_values() -> bytes:
    """What goes out to prove every value."""
    made, adapter = proof()
    made.damage(every_value=True)
    return adapter.sent[-1][0]


def test_what_is_shown_of_short_bursts() -> None:
    """Twelve characters are shown whole; nothing is called so."""
    text = str(echo_damaged(damage_of(b"\x01" * 12, b""), "here"))
    assert "(sent 01 01 01 01 01 01 01 01 01 01 01 01, got nothing)" in text


def damage_of(sent: bytes, got: bytes) -> Damage:
    """The damage between two texts."""
    found = name_damage(sent, got)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("got", "kind"),
    [
        (PATTERNS[::2], EchoDamaged),
        (b"", EchoDamaged),
        (PATTERNS[:-1], EchoDoubtful),
        (PATTERNS + b"\x41", EchoDoubtful),
    ],
)
def test_damage_without_a_name_is_a_doubt(got: bytes, kind: type[Exception]) -> None:
    """What noise makes as well is no fault of the adapter for certain; silence has a name."""
    doubt = echo_doubt(damage_of(PATTERNS, got), "here")
    assert type(doubt) is kind
    assert "what is sent does not come back" in doubt.what
    assert ("noise" in doubt.what) is (kind is EchoDoubtful)
    assert doubt.facts["got"] == got.hex().upper()
