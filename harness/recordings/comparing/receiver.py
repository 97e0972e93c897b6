"""A recording in volts as the host's receiver saw the line.

A recorder's thresholds lie elsewhere than those of the receiver, so on a slow edge both
tell different times. The receiver is a TTL input or close to one: it switches somewhere
between 0.8 and 2.0 V (logic levels of TTL; a module's sheet has 1.0 to 1.5 V, adapters
section 6). The rise is an exponential towards the high level, whose time constant the rise
times show; so its passing of both levels is known, and half of the time between them is
doubt. The fall is short: all of it is doubt. What rises slower than most, or turns back
before it has passed both levels, is open for as long as it is between them.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np

from harness.recordings.comparing.alignment import Times
from harness.recordings.reading.main_levels import Thresholds
from harness.recordings.record.quantity import JudgedQuantity
from harness.recordings.record.shown import AnalogFacts

_NO_TIMES: Times = np.empty(0)

RECEIVER_LOW_V, RECEIVER_HIGH_V = 0.8, 2.0

RECEIVER_THRESHOLDS = Thresholds(
    falls_below_v=1.2,
    rises_above_v=1.6,
    from_receiver=True,
    window_v=(RECEIVER_LOW_V, RECEIVER_HIGH_V),
)
"""Around the middle of that window, so that a short high which the receiver saw is seen;
apart by the least hysteresis of a TTL input that has one (0.4 V, inverter SN7414)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverView:
    """Lows as the receiver saw them.

    Attributes:
        starts_us: beginnings of the lows.
        ends_us: their ends.
        doubt_us: half width of what is known of each time.
        between_us: beginnings and ends of the stretches in which the line was between the
            receiver's levels, so that it may have taken it either way.
        rise_us: from the release of the line to the receiver's threshold; None where
            levels were recorded.
    """

    starts_us: Times
    ends_us: Times
    doubt_us: float
    between_us: tuple[Times, Times] = (_NO_TIMES, _NO_TIMES)
    rise_us: float | None = None


@dataclass(frozen=True, slots=True)
class _Rise:
    """An exponential from ``low_v`` towards ``high_v``."""

    low_v: float
    high_v: float
    constant_us: float

    def until_us(self, level_v: float) -> float:
        """From the release to a level."""
        share = (self.high_v - self.low_v) / (self.high_v - level_v)
        return self.constant_us * log(share)


def receiver_view(
    lows_us: tuple[Times, Times],
    doubt_us: float,
    analog: AnalogFacts | None,
    quantities: tuple[JudgedQuantity, ...],
    between_us: tuple[Times, Times] | None = None,
) -> ReceiverView:
    """The lows of a recording at the receiver's thresholds.

    Args:
        lows_us: beginnings and ends as recorded.
        doubt_us: half width of what is known of each time.
        analog: levels and thresholds of a recording in volts, else None.
        quantities: what was judged, rise and fall times among it.
        between_us: stretches between the receiver's levels, of a recording in volts.
    """
    between_us = between_us or (_NO_TIMES, _NO_TIMES)
    starts_us, ends_us = lows_us
    median = {judged.row.name: judged.median for judged in quantities}
    span_us = median.get("rise time")
    if analog is None or span_us is None or analog.high_v <= RECEIVER_HIGH_V:
        return ReceiverView(
            starts_us=starts_us,
            ends_us=ends_us,
            doubt_us=doubt_us,
            between_us=between_us,
        )
    high_v, low_v = analog.high_v, min(analog.low_v, RECEIVER_LOW_V)
    constants = log((high_v - analog.falls_below_v) / (high_v - analog.rises_above_v))
    rise = _Rise(low_v, high_v, span_us / constants)
    early_us = rise.until_us(RECEIVER_LOW_V)
    late_us = rise.until_us(RECEIVER_HIGH_V)
    middle_us = (early_us + late_us) / 2
    fall_us = median.get("fall time", 0.0)
    return ReceiverView(
        starts_us=starts_us,
        ends_us=ends_us - (rise.until_us(analog.rises_above_v) - middle_us),
        # the rise between the thresholds is no doubt any more
        doubt_us=doubt_us - span_us + (late_us - early_us) / 2 + fall_us,
        between_us=between_us,
        rise_us=middle_us,
    )
