"""One device's own times, found while it alone takes part in a search.

sample instant   a written 1 of growing low time turns into a 0 when the line is
still below the device's threshold at its sample
read-0 hold      how long the device holds a 0, by the graded echo of read slots
shortest low     the shortest low that the device takes for a slot
slot period      the shortest time between two falling edges that it follows
"""

from __future__ import annotations

from collections.abc import Callable

from harness.errors import AdapterError, LineError
from harness.timing.edges import Bracket, Found, NotMeasurable
from harness.timing.isolation import Isolated
from harness.timing.ladders import (
    Clockwork,
    FrameRung,
    Ladder,
    low_ladder,
    period_ladder,
    read_ladder,
    twin_ladder,
)
from harness.timing.spans import STANDARD_SPANS, Spans

_TRIALS = 3

SHORTEST_PERIOD_US = 20.0
"""From here on a device may at best be ready for the next slot: a read-0 holds 15 us,
and a recovery follows."""


def low_points(clock: Clockwork, spans: Spans = STANDARD_SPANS) -> Ladder:
    """Lows of a written 1 that the adapter can make."""
    span = spans.low
    return low_ladder(clock, span.from_us, span.to_us, span.step_us)


def read_points(clock: Clockwork, spans: Spans = STANDARD_SPANS) -> Ladder:
    """Samples of a read slot that the adapter can take."""
    span = spans.read
    return read_ladder(clock, span.from_us, span.to_us, span.step_us, spans)


def short_low_points(clock: Clockwork, spans: Spans = STANDARD_SPANS) -> Ladder:
    """The shortest lows that the adapter can make."""
    span = spans.short_low
    return low_ladder(clock, span.from_us, span.to_us, span.step_us)


def period_points(clock: Clockwork, from_us: float = SHORTEST_PERIOD_US) -> Ladder:
    """Times between two slots that the adapter can make."""
    return period_ladder(clock, from_us, max(95.0, from_us + 20), 0.5)


def twin_points(clock: Clockwork, spans: Spans) -> Ladder:
    """As ``period_points``, with both slots in one character."""
    return twin_ladder(clock, 2.1, 13.0, 0.02, spans)


def _no_place(device: Isolated, bit: int) -> NotMeasurable:
    return NotMeasurable(
        reason=f"{device.rom} has no {bit} in its ROM code where it takes part alone, "
        f"from position {device.first + 1} on"
    )


def longest_write_1(
    device: Isolated, clock: Clockwork, spans: Spans = STANDARD_SPANS
) -> Found:
    """The longest low that the device still reads as a written 1.

    Free of assumptions about thresholds: this is the margin of write-1 slots on this
    line. The sample instant follows by adding the rise to the device's threshold.
    """
    ladder = low_points(clock, spans)
    places = device.positions(1)
    if not places:
        return _no_place(device, 1)

    def probe(rung: FrameRung) -> tuple[int, int]:
        wrong = sum(_dropped_out(device, place, rung) for place in places[:_TRIALS])
        return wrong, len(places[:_TRIALS])

    return Bracket(ladder, probe).find()


def _dropped_out(device: Isolated, place: int, rung: FrameRung) -> bool:
    """Write its own 1 with the rung's low; True if it took it for a 0 and left."""
    bus = device.bus
    device.enter(place)
    device.pair()
    bus.exchange(bytes([rung.byte]), rung.request_baud)
    return device.pair() != device.own_pair(place + 1)


def read_0_hold(
    device: Isolated, clock: Clockwork, spans: Spans = STANDARD_SPANS
) -> Found:
    """From the slot's falling edge to the receiver seeing the line high again.

    One read slot at a position where the device's bit is 0 and it answers alone.
    """
    ladder = read_points(clock, spans)
    places = device.positions(0)[:_TRIALS]
    if not places:
        return _no_place(device, 0)

    def probe(rung: FrameRung) -> tuple[int, int]:
        high = 0
        for place in places:
            device.enter(place)
            echo = device.bus.exchange(bytes([rung.byte]), rung.request_baud)[0]
            high += echo >> rung.bit & 1
        return high, len(places)

    return Bracket(ladder, probe).find()


def shortest_low(
    device: Isolated, clock: Clockwork, spans: Spans = STANDARD_SPANS
) -> Found:
    """The shortest low that the device takes for a slot.

    One character at a high rate, then the pair with safe slots: the device answers
    with its bit if it did not take the first, with the complement if it did.
    """
    ladder = short_low_points(clock, spans)
    place = device.first

    def probe(rung: FrameRung) -> tuple[int, int]:
        seen = 0
        for _ in range(_TRIALS):
            device.enter(place)
            try:
                device.bus.exchange(bytes([rung.byte]), rung.request_baud)
            except (AdapterError, LineError):
                # so short that not even the receiver saw it
                device.bus.adapter.settle()
                continue
            seen += device.pair() != device.own_pair(place)
        return seen, _TRIALS

    return Bracket(ladder, probe).find()


def shortest_period(
    device: Isolated, clock: Clockwork, *, from_us: float = SHORTEST_PERIOD_US
) -> Found:
    """The shortest time from a read-0 slot's edge to the next edge that is taken.

    Two reads back to back at a position where the device's bit is 0: the first is a
    0 that the device itself holds. If it missed the second edge, it answers the next
    slot with the complement and is one slot behind at the pair that follows.

    Args:
        device: the device.
        clock: the adapter's clock.
        from_us: period from which on the device can at best be ready.
    """
    ladder = period_points(clock, from_us)
    return _shortest_apart(device, ladder, lambda rung: b"\xff\xff")


def shortest_twin(device: Isolated, clock: Clockwork, spans: Spans) -> Found:
    """As ``shortest_period``, with both slots in one character.

    In overdrive two characters cannot follow each other faster than the slots in use
    without their lows becoming too short.
    """
    ladder = twin_points(clock, spans)
    return _shortest_apart(device, ladder, lambda rung: bytes([rung.byte]))


def _shortest_apart(
    device: Isolated, ladder: Ladder, frames: Callable[[FrameRung], bytes]
) -> Found:
    places = device.positions(0)[:_TRIALS]
    if not places:
        return _no_place(device, 0)

    def probe(rung: FrameRung) -> tuple[int, int]:
        followed = 0
        for place in places:
            device.enter(place)
            try:
                device.bus.exchange(frames(rung), rung.request_baud)
            except (AdapterError, LineError):
                # the device's own 0 still covered the second edge
                device.bus.adapter.settle()
                continue
            device.bus.write_bits_read([0], 0)
            followed += device.pair() == device.own_pair(place + 1)
        return followed, len(places)

    return Bracket(ladder, probe).find()
