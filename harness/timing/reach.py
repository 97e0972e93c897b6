"""What can be measured with an adapter, by its clock grid alone.

The same ladders that a measurement climbs, looked at before any port is opened.
"""

from __future__ import annotations

from collections.abc import Callable

from harness.timing import device as device_times
from harness.timing import line as line_times
from harness.timing.ladders import Clockwork, Ladder
from harness.timing.spans import OVERDRIVE_SPANS, STANDARD_SPANS
from harness.timing.values import (
    RESET_HIGH_LIMIT,
    SHORTEST_LOW_LIMIT,
    SLOT_PERIOD_LIMIT,
    Name,
)
from harness.wire.clock_grid import ClockGrid

_LadderOf = Callable[[Clockwork], Ladder]

_STANDARD: dict[Name, _LadderOf] = {
    Name.RISE_TIME: line_times.rise_points,
    Name.CAPACITANCE: line_times.rise_points,
    Name.PRESENCE_WAIT: lambda clock: line_times.presence_points(
        clock, STANDARD_SPANS.presence_wait, STANDARD_SPANS
    ),
    Name.PRESENCE_END: lambda clock: line_times.presence_points(
        clock, STANDARD_SPANS.presence_end, STANDARD_SPANS
    ),
    Name.RESET_HIGH: line_times.reset_high_points,
    Name.LONGEST_WRITE_1: device_times.low_points,
    Name.SAMPLE_INSTANT: device_times.low_points,
    Name.READ_0_HOLD: device_times.read_points,
    Name.SHORTEST_LOW: device_times.short_low_points,
    Name.SLOT_PERIOD: device_times.period_points,
    Name.RECOVERY: device_times.period_points,
}

_OVERDRIVE: dict[Name, _LadderOf] = {
    Name.PRESENCE_WAIT: lambda clock: line_times.presence_points(
        clock, OVERDRIVE_SPANS.presence_wait, OVERDRIVE_SPANS
    ),
    Name.PRESENCE_END: lambda clock: line_times.presence_points(
        clock, OVERDRIVE_SPANS.presence_end, OVERDRIVE_SPANS
    ),
    Name.LONGEST_WRITE_1: lambda clock: device_times.low_points(clock, OVERDRIVE_SPANS),
    Name.SAMPLE_INSTANT: lambda clock: device_times.low_points(clock, OVERDRIVE_SPANS),
    Name.READ_0_HOLD: lambda clock: device_times.read_points(clock, OVERDRIVE_SPANS),
    Name.SHORTEST_LOW: lambda clock: device_times.short_low_points(
        clock, OVERDRIVE_SPANS
    ),
    Name.SLOT_PERIOD: lambda clock: device_times.twin_points(clock, OVERDRIVE_SPANS),
}

_AT_MOST = {
    Name.RESET_HIGH: RESET_HIGH_LIMIT,
    Name.SHORTEST_LOW: SHORTEST_LOW_LIMIT,
    Name.SLOT_PERIOD: SLOT_PERIOD_LIMIT,
}
"""Quantities whose only published limit is the most that is allowed."""


def not_measurable(
    name: Name, grid: ClockGrid, *, overdrive: bool, max_burst: int
) -> str:
    """Why a quantity cannot be measured with an adapter; empty if it can.

    Args:
        name: the quantity.
        grid: the adapter's clock.
        overdrive: at the second speed.
        max_burst: most characters in one write.
    """
    if name is Name.CLOCK_ERROR:
        return line_times.clock_beyond_reach(grid, max_burst)
    ladder = (_OVERDRIVE if overdrive else _STANDARD)[name]
    if ladder(Clockwork.of_grid(grid)):
        return ""
    return "it makes no frame in that range"


def not_judged(name: Name, grid: ClockGrid) -> str:
    """Why a quantity, though measured, cannot meet its published limit; empty if it can.

    A quantity that is only limited from above and of which the shortest that the
    adapter can make lies beyond that limit comes out as a bound that proves nothing.
    """
    limit_us = _AT_MOST[name].high_us if name in _AT_MOST else None
    if limit_us is None:
        return ""
    ladder = _STANDARD[name](Clockwork.of_grid(grid))
    if not ladder or ladder[0].late_us <= limit_us:
        return ""
    return (
        f"the shortest that it makes is {ladder[0].late_us:.3g} us, the limit is at "
        f"most {limit_us:g} us"
    )
