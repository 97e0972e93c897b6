"""The reset character: what its echo says, and how it is chosen."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from harness.wire.clock_grid import ClockGrid
from harness.wire.limits import STANDARD, SpeedLimits
from harness.wire.rates import Rate, rates
from harness.wire.slots.character import NEEDED_MARGIN, CannotMake, Frame


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
        limits: the limits that it was chosen by.
    """

    request_baud: int
    frame: Frame
    room_us: float
    reason: str
    limits: SpeedLimits = STANDARD

    @property
    def certain(self) -> bool:
        """True if no presence pulse within limits can be missed."""
        return self.room_us >= 0

    def read(self, echo: int, limits: SpeedLimits | None = None) -> ResetReading:
        """Judge the echoed byte.

        Args:
            echo: the byte that came back.
            limits: presence limits to judge by, if not those of the frame.

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
            presence=_judge_presence(low, samples, limits or self.limits),
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
    if samples[low[-1]][0] > wait_us + width_us + limits.rise_allowance_us:
        return Presence.LONG
    if low[0] > 0 and samples[low[0] - 1][0] > wait_us + limits.rise_allowance_us:
        return Presence.LATE
    return Presence.SEEN


_RESET_BYTES = (0xF8, 0xF0)
"""Bytes whose low and high both last long enough when sampled in that window."""


def _room_us(frame: Frame, limits: SpeedLimits, tolerance_ppm: float) -> float:
    """Room around the first sample; minus infinity if another limit is broken."""
    if not (
        limits.reset_low.margin(frame.low_us) >= NEEDED_MARGIN
        and limits.reset_high.holds(frame.high_us)
    ):
        return float("-inf")
    window = limits.presence_sample
    first, last = frame.samples_after_release_us()[0]
    assert window.low_us is not None
    assert window.high_us is not None
    room_us = min(
        first - window.low_us - limits.rise_allowance_us, window.high_us - last
    )
    return room_us - last * tolerance_ppm * 1e-6


@lru_cache(maxsize=64)
def choose_reset(grid: ClockGrid, *, limits: SpeedLimits = STANDARD) -> ResetFrame:
    """The reset whose first sample lies best inside the common presence window.

    All presence pulses within limits are low together in 60..75 us after release (8..10
    us in overdrive), so a sample there can miss none. The customary 9600 baud with F0h
    samples at 52 and 156 us and misses a pulse from 60 to 120 us.

    Raises:
        CannotMake: no rate of the adapter makes a reset within limits.
    """
    window = limits.presence_sample
    assert window.low_us is not None
    assert window.high_us is not None
    # the first sample lies half a bit after release
    reach = rates(grid, 0.45e6 / window.high_us, 0.55e6 / window.low_us)
    best: tuple[float, Rate, Frame] | None = None
    for rate in reach:
        for byte in _RESET_BYTES:
            frame = Frame(byte=byte, baud=rate.baud, oversampling=grid.oversampling)
            room_us = _room_us(frame, limits, grid.tolerance_ppm)
            if best is None or room_us > best[0]:
                best = (room_us, rate, frame)
    if best is None or best[0] == float("-inf"):
        raise CannotMake(
            f"{grid.kind} makes no {limits.name} reset: its low, its high and a sample "
            f"{window.low_us:g} to {window.high_us:g} us after release need "
            f"{0.5e6 / window.high_us:.0f} to {0.5e6 / window.low_us:.0f} baud"
        )
    return _reset_frame(grid, *best, limits)


def _reset_frame(
    grid: ClockGrid, room_us: float, rate: Rate, frame: Frame, limits: SpeedLimits
) -> ResetFrame:
    first, last = frame.samples_after_release_us()[0]
    reason = (
        f"{grid.kind}: {frame.baud:.0f} baud {frame.byte:02X}h, low {frame.low_us:.0f} us, "
        f"first sample {first:.1f} to {last:.1f} us after release"
    )
    if room_us < 0:
        reason += (
            "; a short early presence pulse could be missed by the receiver's grid"
        )
    return ResetFrame(
        request_baud=rate.request_baud,
        frame=frame,
        room_us=room_us,
        reason=reason,
        limits=limits,
    )
