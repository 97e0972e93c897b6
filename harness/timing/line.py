"""The line itself: the adapter's clock, rise time, presence pulse, reset high time.

What is measured on the bus as a whole. The presence pulse is the wired AND of all
devices': earliest wait, latest end. It is one device's own where that is alone.
"""

from __future__ import annotations

from dataclasses import replace

from harness.driver.bus import Bus, RomCommand
from harness.errors import AdapterError, LineError
from harness.timing.edges import Bracket, Found, NotMeasurable, Reach
from harness.timing.ladders import (
    Clockwork,
    FrameRung,
    Ladder,
    presence_ladder,
    reset_high_ladder,
    rise_ladder,
)
from harness.timing.spans import STANDARD_SPANS, SearchSpan, Spans
from harness.wire.clock_grid import ClockGrid
from harness.wire.romcode import RomCode

_TRIALS = 4

_CALIBRATION_BAUD = 9600
_PACKET = 62
"""Characters of a full USB packet of the commonest chip: no latency timer at its end."""
_LONG_PACKETS = 48
_HOST_JITTER_S = 0.001
"""What a host may be late in seeing the last character of a burst (one USB frame)."""


def calibrate(bus: Bus) -> Clockwork:
    """The adapter's clock against the host's, by bursts of known length.

    Whole packets, so that no latency timer runs; the difference of a short and a long
    burst takes the fixed part of the round trip out. At 9600 baud an FFh is low for
    104 us, which no device takes for a reset. Taken where it is better than what the
    chip promises, or where it contradicts that. A burst is never longer than the
    adapter's own limit: beyond it several go out, with the host's pauses in between.

    Raises:
        AdapterError, LineError: as the bus says.
    """
    bus.reset()
    promised = Clockwork.of_grid(bus.adapter.grid)
    packets = _packets(bus.adapter.max_burst)
    if packets < 2:
        return promised
    short_s = [_burst_s(bus, _PACKET) for _ in range(3)]
    long_s = _burst_s(bus, packets * _PACKET)
    nominal_s = _more_s(promised.grid, packets)
    error_ppm = (nominal_s / (long_s - min(short_s)) - 1) * 1e6
    jitter_s = max(short_s) - min(short_s) + _HOST_JITTER_S
    doubt_ppm = jitter_s / nominal_s * 1e6
    contradicts = abs(error_ppm) > promised.doubt_ppm + doubt_ppm
    if doubt_ppm >= promised.doubt_ppm and not contradicts:
        return promised
    return replace(promised, error_ppm=error_ppm, doubt_ppm=doubt_ppm, measured=True)


def _packets(max_burst: int) -> int:
    """Whole packets of the longest burst that is timed."""
    return min(_LONG_PACKETS, max_burst // _PACKET)


def _more_s(grid: ClockGrid, packets: int) -> float:
    """By how much so many packets take longer than one."""
    return 10 * (packets - 1) * _PACKET / grid.achieved(_CALIBRATION_BAUD)


def clock_beyond_reach(grid: ClockGrid, max_burst: int) -> str:
    """Why the host cannot measure the adapter's clock error; empty if it may.

    Args:
        grid: the adapter's clock, its tolerance in force.
        max_burst: most characters in one write.
    """
    packets = _packets(max_burst)
    if packets < 2:
        return f"bursts of at most {max_burst} characters are too short to time"
    best_ppm = _HOST_JITTER_S / _more_s(grid, packets) * 1e6
    if best_ppm < grid.tolerance_ppm:
        return ""
    return (
        f"the host measures it no better than +- {best_ppm:.0f} ppm, and "
        f"{grid.tolerance_ppm:g} ppm are promised"
    )


def _burst_s(bus: Bus, characters: int) -> float:
    started_s = bus.clock.now_s()
    bus.exchange(b"\xff" * characters, _CALIBRATION_BAUD)
    return bus.clock.now_s() - started_s


# -- rise time -------------------------------------------------------------------

LONGEST_RISE_US = 40.0
"""More than half of a slot: nothing works on a line that is slower."""


def rise_points(clock: Clockwork) -> Ladder:
    """Samples after the release of an FFh that the adapter can take."""
    return rise_ladder(clock, 0.2, LONGEST_RISE_US, 0.1)


def rise_time(bus: Bus, clock: Clockwork) -> Found:
    """From the host's release to the receiver's threshold.

    The devices hear a reset and then slots that are no ROM command, so all are
    silent.
    """
    ladder = rise_points(clock)

    def probe(rung: FrameRung) -> tuple[int, int]:
        bus.reset()
        # eight ones are no ROM command: all devices fall silent
        bus.write(b"\xff")
        # one by one: back to back at a high rate a slow line would never rise
        one = bytes([rung.byte])
        echoes = [bus.exchange(one, rung.request_baud)[0] for _ in range(_TRIALS)]
        return sum(echo >> rung.bit & 1 for echo in echoes), _TRIALS

    found = Bracket(ladder, probe).find()
    if isinstance(found, NotMeasurable):
        return found
    if found.reach is Reach.BELOW:
        # faster than the fastest sample: it lies between nothing and that
        half_us = found.value_us / 2
        return replace(
            found, value_us=half_us, half_width_us=half_us, reach=Reach.INSIDE
        )
    return found


# -- presence --------------------------------------------------------------------


def _presence_low(bus: Bus, rung: FrameRung) -> bool:
    """True if the line is low at the rung's sample after a reset pulse."""
    echo = bus.exchange(bytes([rung.byte]), rung.request_baud)[0]
    return not echo >> rung.bit & 1


def presence_points(clock: Clockwork, span: SearchSpan, spans: Spans) -> Ladder:
    """Samples after a legal reset that the adapter can take."""
    return presence_ladder(clock, span.from_us, span.to_us, span.step_us, spans.limits)


def presence_wait(bus: Bus, clock: Clockwork, spans: Spans = STANDARD_SPANS) -> Found:
    """From release to the falling edge of the presence pulse.

    An edge before the earliest sample of a legal reset is reported as a bound.
    """
    ladder = presence_points(clock, spans.presence_wait, spans)
    return Bracket(ladder, lambda r: (int(_presence_low(bus, r)), 1)).find()


def presence_end(bus: Bus, clock: Clockwork, spans: Spans = STANDARD_SPANS) -> Found:
    """From release to the end of the presence pulse, at the receiver's threshold."""
    ladder = presence_points(clock, spans.presence_end, spans)
    return Bracket(ladder, lambda r: (int(not _presence_low(bus, r)), 1)).find()


# -- reset high ------------------------------------------------------------------


def reset_high_points(clock: Clockwork) -> Ladder:
    """Times from a reset's release to the next edge that the adapter can make."""
    return reset_high_ladder(clock, 110.0, 610.0, 4.0)


def reset_high(bus: Bus, clock: Clockwork, rom: RomCode) -> Found:
    """The shortest time from a reset's release to the first slot that is still taken.

    The first four bits of the search command are zeros: sent as slow slots right
    behind the reset character, back to back, they come after exactly the character's
    own high time. Whether the devices heard them shows in the first pair.
    """
    ladder = reset_high_points(clock)
    wanted = [rom.bits[0], 1 - rom.bits[0]]

    def probe(rung: FrameRung) -> tuple[int, int]:
        try:
            bus.exchange(bytes([rung.byte]) + b"\xff" * 4, rung.request_baud)
        except (AdapterError, LineError):
            bus.adapter.settle()
            return 0, 1  # the presence pulse still covered the first slot's edge
        rest = [RomCommand.SEARCH >> place & 1 for place in range(4, 8)]
        pair = bus.write_bits_read(rest, 2)
        return int(pair in ([0, 0], wanted)), 1

    return Bracket(ladder, probe).find()
