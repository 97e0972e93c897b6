"""UART character <-> time slot, and the choice of the frames to use.

A character starts with a low start bit, then eight data bits, least significant
first, then high. With Tb the bit time and k zero bits at the low end of the byte
the line is low for (1+k) Tb and the receiver samples data bit i at (i+1.5) Tb.
Only bytes of the form ones-above-zeros make one low pulse; any other byte would
make a second falling edge, that is a second slot.

    byte    FF  FE  FC  F8  F0  E0  C0  80  00
    low/Tb   1   2   3   4   5   6   7   8   9

A slot is one character: FFh is write-1 and read (bit 0 of the echo is the
answer), a byte with a long low is write-0. A reset is one character at a low
rate; the bits above its zeros sample the line for a presence pulse.

The receiver finds the falling edge on its own grid, up to Tb/16 late (16-fold
oversampling), and every sample moves with it. Sample points are therefore
intervals here, and the default frames keep the whole interval inside the limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

from harness.wire.clockgrid import ClockGrid
from harness.wire.limits import (
    LOW_VOLTAGE_SLOT,
    LOW_VOLTAGE_WRITE_0,
    STANDARD,
    SpeedLimits,
)

PULSE_BYTES = (0xFF, 0xFE, 0xFC, 0xF8, 0xF0, 0xE0, 0xC0, 0x80, 0x00)
"""Bytes that make exactly one low pulse; the index is the number of zero bits."""

OVERSAMPLING = 16
"""Grid of the receiver assumed where nothing is known (AVR and others: 16)."""

NEEDED_MARGIN = 0.01
"""Relative margin that the default frames keep on every limit."""

RISE_ALLOWANCE_US = 2.0
"""Rise of the line that the default reset still has room for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One character on the wire.

    Attributes:
        byte: one of ``PULSE_BYTES``.
        baud: achieved rate.
        stop_bits: 1 or 2.
    """

    byte: int
    baud: float
    stop_bits: int = 1

    def __post_init__(self) -> None:
        if self.byte not in PULSE_BYTES:
            raise ValueError(f"{self.byte:02X}h makes more than one low pulse")

    @property
    def zeros(self) -> int:
        """Number of zero data bits."""
        return PULSE_BYTES.index(self.byte)

    @property
    def bit_us(self) -> float:
        """Bit time Tb."""
        return 1e6 / self.baud

    @property
    def low_us(self) -> float:
        """How long the host pulls the line low."""
        return (1 + self.zeros) * self.bit_us

    @property
    def length_us(self) -> float:
        """Whole character, stop bits included."""
        return (9 + self.stop_bits) * self.bit_us

    @property
    def high_us(self) -> float:
        """From release to the end of the character: recovery, or reset high."""
        return self.length_us - self.low_us

    def sample_us(self, bit: int) -> tuple[float, float]:
        """Earliest and latest instant at which data bit ``bit`` is sampled.

        Counted from the host's falling edge.
        """
        first = (bit + 1.5) * self.bit_us
        return first, first + self.bit_us / OVERSAMPLING

    def samples_after_release_us(self) -> tuple[tuple[float, float], ...]:
        """Sample intervals of the bits above the zeros, counted from release."""
        return tuple(
            (first - self.low_us, last - self.low_us)
            for first, last in (self.sample_us(bit) for bit in range(self.zeros, 8))
        )


@dataclass(frozen=True)
class SlotFrames:
    """The frames of one speed: which byte is which slot, at which rate.

    Attributes:
        request_baud: the rate to ask the adapter for.
        baud: the rate it makes.
        write_0_byte: byte sent for a write-0 slot.
        margin: smallest relative margin to any limit, clock error taken off.
        reason: why this rate was chosen, for the log.
    """

    request_baud: int
    baud: float
    write_0_byte: int
    margin: float
    reason: str

    @cached_property
    def one(self) -> Frame:
        """Write-1 and read slot."""
        return Frame(byte=0xFF, baud=self.baud)

    @cached_property
    def zero(self) -> Frame:
        """Write-0 slot."""
        return Frame(byte=self.write_0_byte, baud=self.baud)

    @property
    def slot_us(self) -> float:
        """Length of a slot, back to back."""
        return self.one.length_us

    @cached_property
    def _bytes_to_frames(self) -> tuple[bytes, ...]:
        return tuple(
            bytes(0xFF if value >> bit & 1 else self.write_0_byte for bit in range(8))
            for value in range(256)
        )

    def encode(self, data: bytes) -> bytes:
        """Write slots for ``data``, least significant bit first."""
        table = self._bytes_to_frames
        return b"".join([table[value] for value in data])

    def encode_bits(self, bits: tuple[int, ...] | list[int]) -> bytes:
        """Write slots for single bits."""
        return bytes(0xFF if bit else self.write_0_byte for bit in bits)

    @staticmethod
    def read(slots: int) -> bytes:
        """Read slots."""
        return b"\xff" * slots

    @staticmethod
    def decode(echoes: bytes) -> bytes:
        """Bytes from read-slot echoes; their number must be a multiple of eight."""
        if len(echoes) % 8:
            raise ValueError(f"{len(echoes)} slots are no whole bytes")
        bits = echoes.translate(_LOWEST_BIT)
        return bytes(
            int(bits[start : start + 8][::-1], 2) for start in range(0, len(bits), 8)
        )

    @staticmethod
    def decode_bits(echoes: bytes) -> list[int]:
        """One bit for each read-slot echo."""
        return [echo & 1 for echo in echoes]


_LOWEST_BIT = bytes(ord("1") if value & 1 else ord("0") for value in range(256))


class Presence(StrEnum):
    """What the reset's echo says about the time after the release."""

    SEEN = "seen"
    ABSENT = "absent"
    LATE = "late"
    LONG = "long"
    SHORTED = "shorted"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True, kw_only=True)
class ResetReading:
    """A reset's echo, read.

    Attributes:
        presence: the judgement.
        sent: byte sent.
        echo: byte that came back; its grading is kept.
        low_from_us: latest instant after release at which the line is known
            still to have been high before the pulse, or None.
        low_to_us: earliest instant after release at which it was high again, or None.
    """

    presence: Presence
    sent: int
    echo: int
    low_from_us: float | None = None
    low_to_us: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ResetFrame:
    """The reset character.

    Attributes:
        request_baud: the rate to ask the adapter for.
        frame: byte and achieved rate.
        room_us: room left between the first sample's interval and the window in
            which every presence pulse within limits is low; negative if a pulse
            within limits can be missed.
        reason: why it was chosen, for the log.
    """

    request_baud: int
    frame: Frame
    room_us: float
    reason: str

    @property
    def certain(self) -> bool:
        """True if no presence pulse within limits can be missed."""
        return self.room_us >= 0

    def read(self, echo: int, limits: SpeedLimits = STANDARD) -> ResetReading:
        """Judge the echoed byte.

        Args:
            echo: the byte that came back.
            limits: presence limits of the speed.

        Raises:
            ValueError: the host's own low does not show in the echo.
        """
        zeros = self.frame.zeros
        if echo & ((1 << zeros) - 1):
            raise ValueError(f"sent {self.frame.byte:02X}h, got {echo:02X}h")
        levels = [echo >> bit & 1 for bit in range(zeros, 8)]
        samples = self.frame.samples_after_release_us()
        low = [index for index, level in enumerate(levels) if not level]
        before = samples[low[0] - 1][0] if low and low[0] > 0 else None
        after = samples[low[-1] + 1][1] if low and low[-1] + 1 < len(samples) else None
        return ResetReading(
            presence=_judge_presence(low, samples, limits),
            sent=self.frame.byte,
            echo=echo,
            low_from_us=before,
            low_to_us=after,
        )


def _judge_presence(
    low: list[int], samples: tuple[tuple[float, float], ...], limits: SpeedLimits
) -> Presence:
    if not low:
        return Presence.ABSENT
    if len(low) == len(samples):
        return Presence.SHORTED
    if low != list(range(low[0], low[-1] + 1)):
        return Presence.UNCLEAR
    wait_us = limits.presence_wait.high_us or 0.0
    width_us = limits.presence_low.high_us or 0.0
    # the line's rise shifts the devices' clock, hence the allowance
    if samples[low[-1]][0] > wait_us + width_us + RISE_ALLOWANCE_US:
        return Presence.LONG
    if low[0] > 0 and samples[low[0] - 1][0] > wait_us + RISE_ALLOWANCE_US:
        return Presence.LATE
    return Presence.SEEN


def slot_margins(
    one: Frame, zero: Frame, limits: SpeedLimits = STANDARD
) -> dict[str, float]:
    """Relative margin of a pair of frames to every slot limit, by limit name.

    At standard speed the stricter limits of low-voltage switch parts count too.
    """
    margins = {
        limits.write_1_low.name: limits.write_1_low.margin(one.low_us),
        limits.write_0_low.name: limits.write_0_low.margin(zero.low_us),
        limits.read_sample.name: limits.read_sample.margin(one.sample_us(0)[1]),
        limits.recovery.name: limits.recovery.margin(zero.high_us),
        limits.slot.name: limits.slot.margin(one.length_us),
    }
    if limits is STANDARD:
        for limit, value_us in (
            (LOW_VOLTAGE_WRITE_0, zero.low_us),
            (LOW_VOLTAGE_SLOT, one.length_us),
        ):
            margins[limit.name] = limit.margin(value_us)
    return margins


def _best_zero(baud: float) -> tuple[int, str, float]:
    """The write-0 byte with the largest smallest margin, that limit, and the margin."""
    one = Frame(byte=0xFF, baud=baud)
    choices = []
    for byte in PULSE_BYTES[5:]:
        margins = slot_margins(one, Frame(byte=byte, baud=baud))
        name = min(margins, key=margins.__getitem__)
        choices.append((margins[name], byte, name))
    margin, byte, name = max(choices)
    return byte, name, margin


CUSTOMARY_SLOT_BAUD = 115_200
"""The rate that every adapter makes; 86.8 us a slot."""


def choose_slots(grid: ClockGrid, needed: float = NEEDED_MARGIN) -> SlotFrames:
    """The fastest slots whose every limit keeps ``needed`` margin at the achieved rate.

    The adapter's clock error is taken off the margin. Falls back to the rate with
    the largest margin where nothing reaches ``needed``.
    """
    candidates = [CUSTOMARY_SLOT_BAUD]
    if grid.free:
        # every 20 ns of bit time between 150 and 100 kbaud, and the table rates
        candidates += [round(1e8 / hundredths) for hundredths in range(667, 1001, 2)]
        candidates += [100_000, 125_000, 128_000, 142_857, 150_000]
    clock = grid.tolerance_ppm * 1e-6
    found = []
    for request in candidates:
        baud = grid.achieved(request)
        byte, name, margin = _best_zero(baud)
        found.append((margin - clock, baud, request, byte, name))
    good = [entry for entry in found if entry[0] >= needed]
    margin, baud, request, byte, name = (
        max(good, key=lambda entry: (entry[1], -abs(entry[2] - entry[1])))
        if good
        else max(found)
    )
    reason = (
        f"{grid.kind}: {baud:.0f} baud, {1e7 / baud:.1f} us a slot, smallest margin "
        f"{margin:.1%} ({name}) with {grid.tolerance_ppm:.0f} ppm of clock error taken off"
    )
    if not good:
        reason += f"; no rate keeps {needed:.0%}, this one comes nearest"
    return SlotFrames(request, baud, byte, margin, reason)


def _reset_room_us(frame: Frame) -> float:
    """Room around the first sample; minus infinity if another limit is broken."""
    limits = STANDARD
    if not (
        limits.reset_low.margin(frame.low_us) >= NEEDED_MARGIN
        and limits.reset_high.holds(frame.high_us)
    ):
        return float("-inf")
    window = limits.presence_sample
    first, last = frame.samples_after_release_us()[0]
    assert window.low_us is not None
    assert window.high_us is not None
    return min(first - window.low_us - RISE_ALLOWANCE_US, window.high_us - last)


def choose_reset(grid: ClockGrid) -> ResetFrame:
    """The reset whose first sample lies best inside 60..75 us after release.

    All presence pulses within limits are low together in just that window, so a
    sample there can miss none. The customary 9600 baud with F0h samples at 52 and
    156 us and misses a pulse from 60 to 120 us.
    """
    candidates = [7200]
    if grid.free:
        candidates += list(range(6700, 8340, 5))
    best: tuple[float, int, Frame] | None = None
    for request in candidates:
        for byte in (0xF8, 0xF0):
            frame = Frame(byte=byte, baud=grid.achieved(request))
            room_us = _reset_room_us(frame)
            if best is None or room_us > best[0]:
                best = (room_us, request, frame)
    assert best is not None
    room_us, request, frame = best
    first, last = frame.samples_after_release_us()[0]
    reason = (
        f"{grid.kind}: {frame.baud:.0f} baud {frame.byte:02X}h, low {frame.low_us:.0f} us, "
        f"first sample {first:.1f} to {last:.1f} us after release"
    )
    if room_us < 0:
        reason += (
            "; a short early presence pulse could be missed by the receiver's grid"
        )
    return ResetFrame(request_baud=request, frame=frame, room_us=room_us, reason=reason)
