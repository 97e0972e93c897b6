"""Times that a run measured with slots, against the same times in a recording.

The recording shows the clock of the adapter (long bursts), the presence pulse, how
long a device held a zero, and, in volts, how long the line takes to rise. What a run finds by trying (sample instants, the shortest low
or period that is taken) no line shows.

Performance is judged by the E_n number of ISO 13528:2022, 9.7: the difference over the root
of the sum of both expanded uncertainties squared; within -1 and 1 they hold.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import sqrt
from statistics import median

from harness.recordings.comparing.bursts import SeenBurst
from harness.recordings.comparing.echoes import CLOCK_PPM, EchoComparison
from harness.recordings.comparing.held import HeldCharacter
from harness.recordings.comparing.receiver import ReceiverView
from harness.recordings.record.compared import ComparedTime
from harness.records import Bound

_HELD_BITS = 1.0
"""A low that is longer than the host's own by this many bits was held by a device."""

_ONLY_VOLTS = {
    "rise_time": "volts show it, levels do not",
    "capacitance": "follows from the rise time",
}

_BOUNDS = {None: "", Bound.AT_MOST: "at most", Bound.AT_LEAST: "at least"}

_LEAST_UNCERTAINTY = 1e-15
"""Where neither side states any: every difference is too large then."""

_LONG_BURST = 100
"""Characters from which on a burst shows the adapter's clock."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedTime:
    """A time that a run states.

    Attributes:
        name: of the quantity.
        unit: of the value.
        value: what the run states; of a bound, the bound.
        uncertainty: its half width, None of a bound.
        bound: on which side the true value lies; None of a value.
        device: label of the device, empty for the line.
        bursts: numbers of the first burst of its measurement and one beyond the last.
        rise_us: rise time of the line as the run states it, which it takes off.
        rise_doubt_us: uncertainty of that.
    """

    name: str
    unit: str
    value: float
    uncertainty: float | None
    bound: Bound | None = None
    device: str = ""
    bursts: tuple[int, int]
    rise_us: float = 0.0
    rise_doubt_us: float = 0.0


def compare_times(
    stated: Sequence[StatedTime],
    found: EchoComparison,
    bursts: Sequence[SeenBurst],
    view: ReceiverView,
) -> Iterator[ComparedTime]:
    """Each stated time beside the recorded one.

    Args:
        stated: what the run states.
        found: its characters in the recording.
        bursts: what it sent.
        view: the recording's lows, and their doubt.
    """
    doubt_us = view.doubt_us
    show = {
        "clock_error": _clock_error,
        "presence_wait": _presence_wait,
        "presence_end": _presence_end,
        "read_0_hold": _read_0_hold,
    }
    for time in stated:
        if time.name == "rise_time" and view.rise_us is not None:
            yield _compared(time, view.rise_us, doubt_us)
            continue
        shown = show.get(time.name)
        if shown is None:
            why = _ONLY_VOLTS.get(time.name, "no line shows it")
            yield _not_compared(time, why)
            continue
        recorded = shown(time, found, bursts, doubt_us)
        if recorded is None:
            yield _not_compared(time, "not in this recording")
        else:
            yield _compared(time, *recorded)


def _compared(time: StatedTime, recorded: float, doubt: float) -> ComparedTime:
    e_n: float | None = None
    if time.bound is Bound.AT_MOST:
        holds = recorded <= time.value + doubt
    elif time.bound is Bound.AT_LEAST:
        holds = recorded >= time.value - doubt
    else:
        uncertainty = sqrt((time.uncertainty or 0.0) ** 2 + doubt**2)
        e_n = (time.value - recorded) / max(uncertainty, _LEAST_UNCERTAINTY)
        holds = abs(e_n) <= 1
    return replace(
        _not_compared(time, ""), recorded=recorded, doubt=doubt, e_n=e_n, holds=holds
    )


def _not_compared(time: StatedTime, why: str) -> ComparedTime:
    return ComparedTime(
        device=time.device,
        name=time.name,
        unit=time.unit,
        stated=time.value,
        uncertainty=time.uncertainty,
        bound=_BOUNDS[time.bound],
        why=why,
    )


def _in(time: StatedTime, burst: int) -> bool:
    return time.bursts[0] <= burst < time.bursts[1]


def _clock_error(
    time: StatedTime,
    found: EchoComparison,
    bursts: Sequence[SeenBurst],
    doubt_us: float,
) -> tuple[float, float] | None:
    """From the first to the last falling edge of the longest burst."""
    of_burst: dict[int, list[HeldCharacter]] = {}
    for held in found.held.of_bursts(*time.bursts):
        of_burst.setdefault(held.burst, []).append(held)
    longest = max(of_burst.values(), key=len, default=[])
    burst = next((b for b in bursts if longest and b.number == longest[0].burst), None)
    if burst is None or not _LONG_BURST <= len(longest) == len(burst.sent):
        return None
    took_us = (longest[-1].start_s - longest[0].start_s) * 1e6
    nominal_us = (len(longest) - 1) * (9 + burst.stop_bits) * burst.bit_us
    return (nominal_us / took_us - 1) * 1e6, 2 * doubt_us / took_us * 1e6


def _presence_wait(
    time: StatedTime, found: EchoComparison, _: Sequence[SeenBurst], doubt_us: float
) -> tuple[float, float] | None:
    waits = [wait for burst, wait, _ in found.presence_us if _in(time, burst)]
    return (min(waits), doubt_us) if waits else None


def _presence_end(
    time: StatedTime, found: EchoComparison, _: Sequence[SeenBurst], doubt_us: float
) -> tuple[float, float] | None:
    # the line's pulse ends with the latest device's; where the host's next low runs into
    # it that end is not seen, so the usual one is taken
    ends = [end for burst, _, end in found.presence_us if _in(time, burst)]
    return (median(ends), doubt_us) if ends else None


def _read_0_hold(
    time: StatedTime,
    found: EchoComparison,
    bursts: Sequence[SeenBurst],
    doubt_us: float,
) -> tuple[float, float] | None:
    """The last zero that a device held in each frame: there it takes part alone."""
    bit_us = {burst.number: burst.bit_us for burst in bursts}
    last: dict[int, float] = {}
    for held in found.held.of_bursts(*time.bursts):
        more_us = held.low_us - held.own_low_us
        short = held.sent & 1
        if short and more_us > _HELD_BITS * bit_us[held.burst]:
            last[held.frame] = held.low_us
    if not last:
        return None
    doubt = sqrt(doubt_us**2 + time.rise_doubt_us**2)
    return median(last.values()) - time.rise_us, doubt + CLOCK_PPM * 1e-6 * time.value
