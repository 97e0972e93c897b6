"""Where the instrument looks for each edge, at either speed.

A span reaches a little beyond the published limits, so that a value outside them is
measured and not only missed. What no frame of the adapter reaches becomes a bound.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.wire.limits import OVERDRIVE, STANDARD, SpeedLimits


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchSpan:
    """From here to there in steps."""

    from_us: float
    to_us: float
    step_us: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Spans:
    """Every span of one speed.

    Attributes:
        limits: published limits of that speed.
        low: low times of written ones.
        read: samples of read slots, from their falling edge.
        read_bit_us: bit times at which FFh is a legal read slot, clock error and rise
            included.
        short_low: lows that may be too short for a slot.
        presence_wait: samples after a reset's release.
        presence_end: likewise.
    """

    limits: SpeedLimits
    low: SearchSpan
    read: SearchSpan
    read_bit_us: tuple[float, float]
    short_low: SearchSpan
    presence_wait: SearchSpan
    presence_end: SearchSpan


# the earliest sample after a reset within its limits comes 30 us after release
STANDARD_SPANS = Spans(
    limits=STANDARD,
    low=SearchSpan(from_us=5.0, to_us=75.0, step_us=0.15),
    read=SearchSpan(from_us=10.5, to_us=75.0, step_us=0.15),
    read_bit_us=(5.5, 12.0),
    short_low=SearchSpan(from_us=0.34, to_us=6.0, step_us=0.05),
    presence_wait=SearchSpan(from_us=30.0, to_us=72.0, step_us=0.5),
    presence_end=SearchSpan(from_us=66.0, to_us=330.0, step_us=0.6),
)

# likewise 3 us; a read low of 1 to 2 us
OVERDRIVE_SPANS = Spans(
    limits=OVERDRIVE,
    low=SearchSpan(from_us=0.7, to_us=8.0, step_us=0.02),
    read=SearchSpan(from_us=1.6, to_us=8.0, step_us=0.02),
    read_bit_us=(1.01, 1.7),
    short_low=SearchSpan(from_us=0.08, to_us=2.0, step_us=0.02),
    presence_wait=SearchSpan(from_us=3.0, to_us=8.0, step_us=0.05),
    presence_end=SearchSpan(from_us=8.5, to_us=34.0, step_us=0.1),
)
