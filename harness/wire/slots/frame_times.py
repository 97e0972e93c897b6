"""What the synthesiser hands out: a frame, its achieved times, and their doubt."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from harness.wire.slots.character import Frame

Since = Literal["edge", "release"]
"""What a sample point is counted from: the host's falling edge, or its release."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Time:
    """An achieved time in us, and what bounds it: half widths that add.

    Attributes:
        value_us: at the grid's rate.
        clock_us: by the error of the adapter's clock.
        receiver_us: by the receiver's grid; zero for a low time.
    """

    value_us: float
    clock_us: float
    receiver_us: float = 0.0

    @property
    def half_width_us(self) -> float:
        """The true time lies this near to ``value_us``."""
        return self.clock_us + self.receiver_us


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A frame that does what was wanted, with what it really does.

    Attributes:
        frame: byte, achieved rate and stop bits.
        request_baud: rate to ask the adapter for.
        wanted_us: the time that was asked for.
        low: low time.
        bit: data bit that samples where wanted, or None if a low was wanted.
        since: what ``sample`` is counted from.
        idle_us: idle time that must follow each frame; zero if frames may be sent
            back to back.
        tolerance_ppm: clock error that the half widths are for.
    """

    frame: Frame
    request_baud: int
    wanted_us: float
    low: Time
    bit: int | None
    since: Since
    idle_us: float
    tolerance_ppm: float

    @property
    def single(self) -> bool:
        """True if frames must be sent one by one."""
        return self.idle_us > 0

    @property
    def sample(self) -> Time | None:
        """Sample point of ``bit``; None if a low was wanted."""
        return None if self.bit is None else self.sample_of(self.bit)

    @property
    def achieved_us(self) -> float:
        """Low time or sample point, whichever was wanted."""
        return (self.sample or self.low).value_us

    @property
    def error_us(self) -> float:
        """Achieved minus wanted; known exactly but for the half width."""
        return self.achieved_us - self.wanted_us

    def sample_of(self, bit: int) -> Time:
        """Sample point of any data bit of the frame, counted from ``since``."""
        first_us, last_us = self.frame.sample_us(bit)
        origin_us = self.frame.low_us if self.since == "release" else 0.0
        value_us = (first_us + last_us) / 2 - origin_us
        return Time(
            value_us=value_us,
            clock_us=abs(value_us) * self.tolerance_ppm * 1e-6,
            receiver_us=(last_us - first_us) / 2,
        )
