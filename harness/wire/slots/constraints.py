"""Limits that a frame must keep in addition to the wanted time."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from harness.wire.limits import OVERDRIVE, STANDARD, SpeedLimits


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """Limits that a frame must keep in addition to the wanted time.

    Attributes:
        slot_us_min: from one falling edge to the next.
        recovery_us_min: high before the next falling edge.
        low_us_min: shortest low; only where a sample point is wanted.
        low_us_max: longest low; likewise.
        zeros: numbers of zero bits to choose from.
        stop_bits: numbers of stop bits to choose from, as far as the adapter has them.
        alone: True if each frame is sent on its own anyway, so that idle time after it
            costs nothing.
    """

    slot_us_min: float = 0.0
    recovery_us_min: float = 0.0
    low_us_min: float = 0.0
    low_us_max: float = math.inf
    zeros: tuple[int, ...] = tuple(range(9))
    stop_bits: tuple[int, ...] = (1, 2)
    alone: bool = False


def write_terms(limits: SpeedLimits) -> Terms:
    """Write slots of any low time: slot length and recovery of the speed."""
    return Terms(
        slot_us_min=limits.slot.low_us or 0.0,
        recovery_us_min=limits.recovery.low_us or 0.0,
    )


def read_terms(limits: SpeedLimits) -> Terms:
    """Read slots: FFh alone, with a low within the limits of the speed."""
    return replace(
        write_terms(limits),
        zeros=(0,),
        low_us_min=limits.write_1_low.low_us or 0.0,
        low_us_max=limits.write_1_low.high_us or math.inf,
    )


def reset_terms(limits: SpeedLimits) -> Terms:
    """Resets: low within the limits of the speed, then the reset's high time."""
    return Terms(
        recovery_us_min=limits.reset_high.low_us or 0.0,
        low_us_min=limits.reset_low.low_us or 0.0,
        low_us_max=limits.reset_low.high_us or math.inf,
        zeros=tuple(range(8)),
        alone=True,
    )


WRITE_SLOT = write_terms(STANDARD)
READ_SLOT = read_terms(STANDARD)
RESET = reset_terms(STANDARD)
OVERDRIVE_WRITE_SLOT = write_terms(OVERDRIVE)
OVERDRIVE_READ_SLOT = read_terms(OVERDRIVE)
OVERDRIVE_RESET = reset_terms(OVERDRIVE)
