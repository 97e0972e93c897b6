"""The frames of time slots: which byte at which rate, and how they are chosen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

from harness.wire.clock_grid import ClockGrid
from harness.wire.limits import (
    LOW_VOLTAGE_SLOT,
    LOW_VOLTAGE_WRITE_0,
    STANDARD,
    SpeedLimits,
)
from harness.wire.rates import Rate, rates
from harness.wire.slots.character import NEEDED_MARGIN, PULSE_BYTES, CannotMake, Frame

FAST_CLOCK_PPM = 200
"""Clock error up to which fast frames may sit right at a limit.

Our choice: a crystal does it, an internal oscillator does not. At 60 us it is 12 ns,
less than any line's rise adds to the low time that a device sees.
"""


@dataclass(frozen=True)
class SlotFrames:
    """The frames of one speed: which byte is which slot, at which rate.

    Attributes:
        request_baud: the rate to ask the adapter for.
        baud: the rate it makes.
        write_0_byte: byte sent for a write-0 slot.
        margin: smallest relative margin to any limit, clock error taken off.
        reason: why this rate was chosen, for the log.
        stop_bits: what the adapter must be set to.
        limits: the limits that the frames were chosen by.
    """

    request_baud: int
    baud: float
    write_0_byte: int
    margin: float
    reason: str
    stop_bits: int = 1
    limits: SpeedLimits = STANDARD

    @cached_property
    def one(self) -> Frame:
        """Write-1 and read slot."""
        return self._frame(0xFF)

    @cached_property
    def zero(self) -> Frame:
        """Write-0 slot."""
        return self._frame(self.write_0_byte)

    def _frame(self, byte: int) -> Frame:
        return Frame(byte=byte, baud=self.baud, stop_bits=self.stop_bits)

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


def slot_margins(
    one: Frame,
    zero: Frame,
    limits: SpeedLimits = STANDARD,
    *,
    low_voltage: bool = True,
) -> dict[str, float]:
    """Relative margin of a pair of frames to every slot limit, by limit name.

    At standard speed the stricter limits of switch parts below 4.5 V count too,
    unless ``low_voltage`` is False.
    """
    margins = {
        limits.write_1_low.name: limits.write_1_low.margin(one.low_us),
        limits.write_0_low.name: limits.write_0_low.margin(zero.low_us),
        limits.read_sample.name: limits.read_sample.margin(one.sample_us(0)[1]),
        limits.recovery.name: limits.recovery.margin(zero.high_us),
        limits.slot.name: limits.slot.margin(one.length_us),
    }
    if limits is STANDARD and low_voltage:
        for limit, value_us in (
            (LOW_VOLTAGE_WRITE_0, zero.low_us),
            (LOW_VOLTAGE_SLOT, one.length_us),
        ):
            margins[limit.name] = limit.margin(value_us)
    return margins


_DEVICE_RISE = 2.0
"""Rise to a device's threshold over rise to the adapter's: 1.7 for 2.2 V and 1.5 V at
5 V, more at less supply."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choice:
    """A rate, a format, its best write-0 byte, and the limit that is nearest."""

    rate: Rate
    one: Frame
    zero: Frame
    margin: float
    nearest_limit: str


def _choice(
    grid: ClockGrid,
    rate: Rate,
    stop_bits: int,
    limits: SpeedLimits,
    *,
    fast: bool,
    rise_us: float,
) -> _Choice:
    """The write-0 byte with the largest smallest margin at this rate.

    On a slow line the recovery begins when the line has risen; bytes that leave too
    little for that come last.
    """
    needed_us = (limits.recovery.low_us or 0.0) + _DEVICE_RISE * rise_us
    one = Frame(
        byte=0xFF,
        baud=rate.baud,
        stop_bits=stop_bits,
        oversampling=grid.oversampling,
    )
    found = []
    for byte in PULSE_BYTES[5:]:
        zero = Frame(byte=byte, baud=rate.baud, stop_bits=stop_bits)
        margins = slot_margins(one, zero, limits, low_voltage=not fast)
        name = min(margins, key=margins.__getitem__)
        recovers = not rise_us or zero.high_us >= needed_us
        found.append((recovers, margins[name], byte, name, zero))
    recovers, margin, _, name, zero = max(found, key=lambda entry: entry[:3])
    return _Choice(
        rate=rate,
        one=one,
        zero=zero,
        margin=margin if recovers else -1.0,
        nearest_limit=name if recovers else limits.recovery.name,
    )


def _choices(
    grid: ClockGrid, limits: SpeedLimits, *, fast: bool, rise_us: float
) -> Iterator[_Choice]:
    """Every rate that could do, shortest slot first."""
    shortest_us, longest_us = limits.write_1_low.low_us, limits.read_sample.high_us
    assert shortest_us is not None
    assert longest_us is not None
    # a sample at 1.5 bits bounds the rate below, a write-0 of nine bits above
    zero_us = limits.write_0_low.low_us or shortest_us
    reach = rates(grid, 1.4e6 / longest_us, 9.1e6 / zero_us)
    pairs = [(rate, stop_bits) for rate in reach for stop_bits in grid.stop_bits]
    for rate, stop_bits in sorted(
        pairs, key=lambda pair: ((9 + pair[1]) / pair[0].baud, pair[1])
    ):
        if rate.baud <= 1.01e6 / shortest_us:
            yield _choice(grid, rate, stop_bits, limits, fast=fast, rise_us=rise_us)


def _refusal(grid: ClockGrid, limits: SpeedLimits, best: _Choice | None) -> CannotMake:
    if best is None:
        bound_baud = 1.5e6 / (limits.read_sample.high_us or 1.0)
        return CannotMake(
            f"{grid.kind} makes no {limits.name} slot: the read sample needs at least "
            f"{bound_baud:.0f} baud, and this adapter makes no rate that fits"
        )
    return CannotMake(
        f"{grid.kind} makes no {limits.name} slot: {best.zero} comes nearest and breaks "
        f"{best.nearest_limit} by {-best.margin:.1%}",
        nearest_us=best.one.length_us,
    )


@lru_cache(maxsize=64)
def choose_slots(
    grid: ClockGrid,
    needed: float = NEEDED_MARGIN,
    *,
    limits: SpeedLimits = STANDARD,
    fast: bool = False,
    rise_us: float = 0.0,
) -> SlotFrames:
    """The fastest slots whose every limit keeps ``needed`` margin at the achieved rate.

    The adapter's clock error is taken off the margin. Falls back to the frames with
    the largest margin where nothing reaches ``needed``, and says so in ``reason``.

    Args:
        grid: the adapter's clock.
        needed: relative margin to keep on every limit.
        limits: ``STANDARD``, ``OVERDRIVE`` (relaxed) or ``OVERDRIVE_STRICT``.
        fast: on request only: no margin is kept, and the limits of switch parts below
            4.5 V do not count. A clock within ``FAST_CLOCK_PPM`` may sit right at a
            limit (150 kbaud, 66.7 us); any other must hold the limits at its worst.
        rise_us: rise of the line that half a bit must leave room for: a slot is
            released at 1 and sampled at 1.5 bit times. Slower slots leave more.

    Raises:
        CannotMake: every rate of the adapter breaks a limit.
    """
    clock = grid.tolerance_ppm * 1e-6
    if fast:
        needed = -clock if grid.tolerance_ppm <= FAST_CLOCK_PPM else 0.0
    best: _Choice | None = None
    for choice in _choices(grid, limits, fast=fast, rise_us=rise_us):
        if 0.5 * choice.one.bit_us < rise_us:
            continue
        if choice.margin - clock >= needed - 1e-12:
            return _frames(grid, choice, limits, _remark(grid, fast=fast))
        if best is None or choice.margin > best.margin:
            best = choice
    if best is None or best.margin < -1e-12:
        raise _refusal(grid, limits, best)
    return _frames(
        grid,
        best,
        limits,
        f"; no rate keeps {max(needed, 0.0):.0%}, this one comes nearest",
    )


def slot_candidates(
    grid: ClockGrid,
    needed: float = NEEDED_MARGIN,
    *,
    limits: SpeedLimits = STANDARD,
) -> Iterator[SlotFrames]:
    """Every pair of frames within the limits, shortest slot first.

    Of one rate the write-0 byte with the longest high time after it comes first, which
    is what a slow line needs.

    Args:
        grid: the adapter's clock.
        needed: relative margin to keep on every limit, clock error taken off.
        limits: of the speed.
    """
    clock = grid.tolerance_ppm * 1e-6
    for choice in _choices(grid, limits, fast=False, rise_us=0.0):
        for byte in PULSE_BYTES[5:]:
            zero = replace(choice.zero, byte=byte)
            margins = slot_margins(choice.one, zero, limits)
            name = min(margins, key=margins.__getitem__)
            if margins[name] - clock < needed - 1e-12:
                continue
            made = replace(choice, zero=zero, margin=margins[name], nearest_limit=name)
            yield _frames(grid, made, limits, "")


def _remark(grid: ClockGrid, *, fast: bool) -> str:
    if not fast:
        return ""
    if grid.tolerance_ppm <= FAST_CLOCK_PPM:
        return "; fast on request: nothing kept in hand"
    return (
        "; fast on request: the fastest rate that holds every limit at the worst clock "
        f"(only a clock within {FAST_CLOCK_PPM} ppm may sit right at a limit)"
    )


def _frames(
    grid: ClockGrid, choice: _Choice, limits: SpeedLimits, remark: str
) -> SlotFrames:
    margin = choice.margin - grid.tolerance_ppm * 1e-6
    baud, stop_bits = choice.rate.baud, choice.one.stop_bits
    reason = (
        f"{grid.kind}: {limits.name} slots at {baud:.0f} baud 8N{stop_bits}, "
        f"{choice.one.length_us:.1f} us a slot, smallest margin {margin:.1%} "
        f"({choice.nearest_limit}) with {grid.tolerance_ppm:.0f} ppm of clock error "
        f"taken off{remark}"
    )
    return SlotFrames(
        choice.rate.request_baud,
        baud,
        choice.zero.byte,
        margin,
        reason,
        stop_bits,
        limits,
    )
