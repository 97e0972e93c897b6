"""A device's own times at both speeds, and what it makes of a long low.

A device in overdrive takes a low of its reset time for a reset that keeps the speed,
and one of the standard reset time for the order to leave. Between the two nothing is
promised; each device has its own way of going wrong there, drawn from the seed.

Source: data sheets DS18B20 p. 19, DS2431 p. 2-3, DS1996 p. 13-18. Drawn times that no
data sheet bounds are marked as ours.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto
from math import inf
from random import Random

from harness.simulation.settings.device import (
    BetweenResets,
    OverdriveTimeSettings,
    TimeBaseSettings,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeBase:
    """A device's own times, in microseconds; see ``TimeBaseSettings``."""

    sample_us: float
    read_0_us: float
    presence_wait_us: float
    presence_low_us: float
    reset_min_us: float
    min_low_us: float
    hold_off_us: float


_LIMITS_US = {
    "sample_us": (15.0, 60.0),
    "read_0_us": (15.0, 60.0),
    "presence_wait_us": (15.0, 60.0),
    "presence_low_us": (60.0, 240.0),
    "reset_min_us": (240.0, 470.0),
    "min_low_us": (0.2, 0.9),
    "hold_off_us": (0.5, 2.0),
}
"""Data-sheet limits; reset and hold-off are bounded by what must not be a reset
(two presence pulses in a row last 285 us) and by the shortest legal recovery."""

_OVERDRIVE_LIMITS_US = {
    "sample_us": (2.0, 6.0),
    "read_0_us": (2.0, 6.0),
    "presence_wait_us": (2.0, 6.0),
    "presence_low_us": (8.0, 24.0),
    "reset_min_us": (32.0, 47.0),
    "min_low_us": (0.1, 0.5),
    "hold_off_us": (0.1, 0.8),
}
"""As above; the last three are ours, bounded by the longest low that is no reset (two
presence pulses, 28 us), the shortest legal low and the shortest legal recovery."""

_OVERDRIVE_RESET_MAX_US = (82.0, 120.0)


class HeardLow(Enum):
    """What a low means to a device once it ends."""

    SLOT = auto()
    RESET = auto()
    OVERDRIVE_RESET = auto()
    MUTE = auto()
    MUTE_AND_SLOW = auto()


@dataclass(frozen=True, slots=True, kw_only=True)
class OverdriveTimes:
    """The second time base of a device.

    Attributes:
        times: as at standard speed; ``reset_min_us`` is the shortest overdrive reset.
        reset_max_us: the longest low that is surely an overdrive reset.
        between: what the device makes of a low between that and a standard reset.
    """

    times: TimeBase
    reset_max_us: float
    between: BetweenResets

    def meaning(self, low_us: float, *, leave_us: float) -> HeardLow:
        """What a device in overdrive takes a low for.

        Args:
            low_us: its length; infinite for a device that only now got its power.
            leave_us: the shortest low that it takes for a standard reset.
        """
        if low_us < self.times.reset_min_us:
            return HeardLow.SLOT
        if low_us == inf or low_us <= self.reset_max_us:
            return HeardLow.OVERDRIVE_RESET
        return HeardLow.RESET if low_us >= leave_us else _MEANING[self.between]


_MEANING = {
    BetweenResets.NOTHING: HeardLow.SLOT,
    BetweenResets.OVERDRIVE_RESET: HeardLow.OVERDRIVE_RESET,
    BetweenResets.MUTE: HeardLow.MUTE,
    BetweenResets.MUTE_AND_SLOW: HeardLow.MUTE_AND_SLOW,
}


def draw_time_base(given: TimeBaseSettings, random: Random) -> TimeBase:
    """The times given, and the others drawn evenly between their limits."""
    drawn = {name: random.uniform(*limits) for name, limits in _LIMITS_US.items()}
    return TimeBase(**(drawn | given.model_dump(exclude_none=True)))


def draw_overdrive(given: OverdriveTimeSettings, random: Random) -> OverdriveTimes:
    """The overdrive times given, and the others drawn likewise."""
    drawn = {
        name: random.uniform(*limits) for name, limits in _OVERDRIVE_LIMITS_US.items()
    }
    reset_max_us = random.uniform(*_OVERDRIVE_RESET_MAX_US)
    between = random.choice(list(BetweenResets))
    times = drawn | given.model_dump(
        exclude_none=True, exclude={"reset_max_us", "between"}
    )
    return OverdriveTimes(
        times=TimeBase(**times),
        reset_max_us=given.reset_max_us or reset_max_us,
        between=given.between or between,
    )
