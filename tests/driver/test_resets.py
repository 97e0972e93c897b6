"""Reset and presence: no pulse within limits is missed, every other case has its name."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import product
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.driver.bus import Bus
from harness.driver.search import enumerate_devices
from harness.errors import (
    EchoDoubtful,
    ExtraEcho,
    LineShorted,
    NobodyAnswers,
    ResetDisturbed,
)
from harness.simulation.faults import settings as fs
from harness.simulation.servers.bench import Bench
from harness.wire.clock_grid import GRIDS
from harness.wire.slots.frames import Frame, Presence, ResetFrame, choose_reset

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

CERTAIN = [kind for kind, grid in sorted(GRIDS.items()) if choose_reset(grid).certain]

CUSTOMARY = ResetFrame(
    request_baud=9600,
    frame=Frame(byte=0xF0, baud=9600.0),
    room_us=-8.0,
    reason="common practice",
)


@contextmanager
def presence(bench: Bench, *, wait_us: float, low_us: float) -> Iterator[None]:
    """Give every device this presence pulse."""
    running = [
        bench.faults.start(fs.PresenceLate(kind="presence-late", wait_us=wait_us)),
        bench.faults.start(fs.PresenceLong(kind="presence-long", low_us=low_us)),
    ]
    try:
        yield
    finally:
        for fault in reversed(running):
            fault.stop()


@pytest.fixture
def one_device(
    open_bus: Callable[[Any], Bus],
    bench_data: Callable[..., Any],
    new_device: Callable[..., Any],
) -> Callable[..., Bus]:
    """A bus with one device."""

    def opened(
        kind: str = "fractional-divider",
        error_ppm: float = 0,
        **more: Any,  # noqa: ANN401 - further keys of the bench
    ) -> Bus:
        adapter = {"error_ppm": error_ppm, "oversampling": 16}
        data = bench_data([new_device(1, 9)], kind=kind, adapter=adapter, **more)
        return open_bus(data)

    return opened


def test_which_adapters_can_promise_to_miss_nothing() -> None:
    """All free clock grids can; a rate table and an unknown adapter cannot quite."""
    assert set(GRIDS) - set(CERTAIN) == {"rate-table", "unknown"}


@pytest.mark.parametrize("sign", [-1, 0, 1])
@pytest.mark.parametrize("kind", CERTAIN)
def test_corners_of_the_presence_limits_are_seen(
    one_device: Make, bench_of: Make, kind: str, sign: int
) -> None:
    """Wait 15 to 60 us and width 60 to 240 us, ends included, are always seen.

    Source: data sheet family 28h p. 19; clock at both ends of its tolerance.
    """
    bus = one_device(kind, sign * GRIDS[kind].tolerance_ppm)
    for wait_us, low_us in product((15, 37.5, 60), (60, 150, 240)):
        with presence(bench_of(bus), wait_us=wait_us, low_us=low_us):
            reading = bus.reset()
        assert reading.presence is Presence.SEEN, (wait_us, low_us, reading)


@pytest.mark.slow
def test_any_presence_within_limits_is_seen(one_device: Make, bench_of: Make) -> None:
    """Any wait of 15 to 60 us with any width of 60 to 240 us is seen.

    Source: data sheet family 28h p. 19.
    """
    bus = one_device()

    @settings(derandomize=True, deadline=None, max_examples=150)
    @given(wait_us=st.floats(15, 60), low_us=st.floats(60, 240))
    def holds(wait_us: float, low_us: float) -> None:
        with presence(bench_of(bus), wait_us=wait_us, low_us=low_us):
            assert bus.reset().presence is Presence.SEEN

    holds()


@settings(
    derandomize=True,
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(waits_us=st.lists(st.floats(15, 60), min_size=3, max_size=3))
@pytest.mark.slow
def test_several_devices_are_seen_together(
    bus_with: Make, waits_us: list[float]
) -> None:
    """Presence pulses that overlap are one presence, not a late or unclear one."""
    bases = [{"presence_wait_us": w, "presence_low_us": 240 - w} for w in waits_us]
    devices = [
        {"family": 1, "serial": n, "time_base": base} for n, base in enumerate(bases, 1)
    ]
    with bus_with([], devices=devices) as bus:
        assert bus.reset().presence is Presence.SEEN


def test_customary_reset_misses_what_the_default_sees(
    one_device: Make, bench_of: Make
) -> None:
    """9600 baud with F0h samples at 52 and 156 us and misses a pulse from 60 to 120 us.

    Source: arithmetic of an 8N1 character; the frame itself is common practice.
    """
    bus = one_device("exact")
    customary = Bus(bus.adapter, reset_frame=CUSTOMARY)
    with presence(bench_of(bus), wait_us=60, low_us=60):
        assert customary.reset().presence is Presence.ABSENT
        assert bus.reset().presence is Presence.SEEN
    with presence(bench_of(bus), wait_us=30, low_us=120):
        assert customary.reset().presence is Presence.SEEN


@pytest.mark.parametrize(
    ("wait_us", "low_us", "expected"),
    [
        (150, 100, Presence.LATE),
        (30, 330, Presence.LONG),
        (60, 400, Presence.LONG),
        (800, 200, Presence.LATE),
        (2000, 200, Presence.LATE),
    ],
)
def test_late_and_long_presence_are_told_apart(
    one_device: Make, bench_of: Make, wait_us: float, low_us: float, expected: Presence
) -> None:
    """A pulse that begins too late is late, even after the character; one that ends too late is long."""
    bus = one_device()
    with presence(bench_of(bus), wait_us=wait_us, low_us=low_us):
        assert bus.reset().presence is expected
        bus.clock.sleep(0.1)
    assert bus.reset().presence is Presence.SEEN


def test_two_separate_pulses_are_unclear(bus_with: Make) -> None:
    """A second low apart from the first is neither late nor long."""
    devices = [
        {"family": 1, "serial": n, "time_base": base}
        for n, base in (
            (1, {"presence_wait_us": 15, "presence_low_us": 65}),
            (2, {"presence_wait_us": 400, "presence_low_us": 200}),
        )
    ]
    with bus_with([], devices=devices) as bus:
        assert bus.reset().presence is Presence.UNCLEAR


def test_nobody_there(bus_with: Make) -> None:
    """An empty bus has no presence, and insisting on one names the device lead."""
    with bus_with([]) as bus:
        assert bus.reset().presence is Presence.ABSENT
        with pytest.raises(NobodyAnswers, match="no presence") as raised:
            bus.require_presence()
    assert "ground lead" in raised.value.hint


def test_reading_brackets_the_pulse(one_device: Make, bench_of: Make) -> None:
    """What the echo says about begin and end of a pulse holds for the pulse that was sent."""
    bus = one_device()
    for wait_us, low_us in ((60, 240), (100, 200), (330, 200)):
        with presence(bench_of(bus), wait_us=wait_us, low_us=low_us):
            reading = bus.reset()
        assert (reading.low_from_us or 0) <= wait_us + 2
        assert reading.low_to_us is not None
        assert reading.low_to_us >= wait_us + low_us - 2


@pytest.mark.parametrize("low_us", [1100, 20_000])
def test_line_held_low_by_a_device(
    one_device: Make, bench_of: Make, low_us: float
) -> None:
    """A low over the whole character is asked again after 5 ms, and only then called a short."""
    bus = one_device()
    with (
        presence(bench_of(bus), wait_us=30, low_us=low_us),
        pytest.raises(LineShorted, match="stays low after the reset"),
    ):
        bus.reset()
    assert bus.traffic.resets == 2


def test_line_that_frees_itself_in_time(one_device: Make, bench_of: Make) -> None:
    """One low of up to 4.8 ms after a reset is a signal: asked again, nothing is wrong.

    Source: data sheet of a clock part (DS2404), interrupt pulse.
    """
    bus = one_device()
    bench = bench_of(bus)
    bench.faults.plan(
        fs.PresenceLong(
            kind="presence-long", low_us=2000, at_s=bench.clock.now_s(), for_s=0.006
        )
    )
    assert bus.reset().presence is Presence.SEEN
    assert bus.traffic.resets == 2


@pytest.mark.parametrize("low_us", [1500, 3840, 4800])
def test_reset_stretched_by_a_pending_interrupt(
    one_device: Make, bench_of: Make, low_us: float
) -> None:
    """Presence follows the stretched low: long, no short, and the device can be addressed.

    Source: data sheet of a clock part (DS2404), interrupt pulse of 960 to 4800 us.
    """
    bus = one_device(
        faults=[{"kind": "stretched-reset", "device": "S1", "low_us": low_us}]
    )
    reading = bus.reset()
    assert reading.presence is Presence.LONG
    assert bus.traffic.resets == 1
    assert len(enumerate_devices(bus).found) == 1


def test_short_after_the_adapter_was_proved(one_device: Make, bench_of: Make) -> None:
    """A line that went low gives one 00h and silence: the line's fault, not the adapter's."""
    bus = one_device()
    bus.reset()
    bench_of(bus).faults.start(fs.ShortedLineFault(kind="line-shorted"))
    bus.clock.sleep(0.01)
    with pytest.raises(LineShorted, match="went low and stayed low") as raised:
        bus.reset()
    assert "halve the wiring" in raised.value.hint


def test_disturbed_reset_is_no_presence(rigged: Make) -> None:
    """A reset pulse that does not come back as sent, twice, says nothing about devices."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        port.write = lambda _: type(port).write(port, b"\xff")
        with pytest.raises(ResetDisturbed, match="came back as FFh") as raised:
            bus.reset()
    assert "output stage" in raised.value.hint


def test_a_reset_disturbed_once_is_in_doubt(rigged: Make) -> None:
    """What does not happen again may have been the adapter: an error, and no failure."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        port.lose, port.foreign = 1, b"\xff"
        with pytest.raises(EchoDoubtful, match="not so after the next reset"):
            bus.reset()


@pytest.mark.parametrize("again", [b"\xff", b"\xf8", b"\xe0", b"\x00"])
def test_a_character_behind_a_reset_that_comes_once_is_no_late_presence(
    rigged: Make, again: bytes
) -> None:
    """A late device answers late each time; what comes once is in surplus."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        port.foreign = again
        with pytest.raises(ExtraEcho, match="not again after the next reset"):
            bus.reset()
        assert bus.reset().presence is Presence.ABSENT


def test_what_comes_late_behind_a_disturbed_reset_is_no_second_disturbance(
    rigged: Make,
) -> None:
    """Late characters are waited for: the next reset is judged by its own echo."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        port.lose, port.foreign = 1, b"\xff"
        port.late = [(port.clock.now_s() + 0.002, b"\xff")]
        with pytest.raises(EchoDoubtful, match="not so after the next reset"):
            bus.reset()


def test_what_comes_late_behind_a_surplus_is_no_disturbance(rigged: Make) -> None:
    """The same where the first reset came back right and more came behind it."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        port.foreign = b"\xff"
        port.late = [(port.clock.now_s() + 0.002, b"\xff")]
        with pytest.raises(ExtraEcho, match="not again after the next reset"):
            bus.reset()


def test_a_surplus_behind_a_presence_is_counted_once(rigged: Make) -> None:
    """Presence both times explains no character behind it: the burst is miscounted."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        seen = bytes([bus.reset_frame.frame.byte << 1 & 0xFF])
        port.write = lambda _: type(port).write(port, seen)
        assert bus.reset().presence is Presence.SEEN
        assert bus.traffic.resets == 1
        port.foreign = b"\xf8"
        with pytest.raises(ExtraEcho, match="with the echo of a reset F8"):
            bus.reset()
        assert bus.traffic.resets == 3
        assert bus._bursts.oddities.miscounted == 1


def test_a_late_presence_is_no_miscounted_burst(
    one_device: Make, bench_of: Make
) -> None:
    """A device that answers late each time explains its character, and nothing is odd."""
    bus = one_device()
    with presence(bench_of(bus), wait_us=2000, low_us=200):
        assert bus.reset().presence is Presence.LATE
    assert bus._bursts.oddities.miscounted == 0


def test_a_line_that_stays_low_is_asked_again_after_five_milliseconds(
    one_device: Make, bench_of: Make
) -> None:
    """The longest signal of a part is 4.8 ms (data sheet DS2404); more wait is wasted."""
    bus = one_device()
    with presence(bench_of(bus), wait_us=30, low_us=20_000):
        began_s = bus.clock.now_s()
        with pytest.raises(LineShorted):
            bus.reset()
    assert 0.005 <= bus.clock.now_s() - began_s < 0.5  # and the latency of the adapter


@pytest.mark.parametrize(
    ("late", "presence"),
    [
        (b"\xf0", Presence.LONG),
        (b"\x00\xf0", Presence.LONG),
        # it rose and was pulled for good: asked once more, and then nobody answers
        (b"\xf0\x00", Presence.ABSENT),
        (b"", Presence.ABSENT),
    ],
)
def test_what_comes_while_a_low_line_is_given_time(
    rigged: Make, late: bytes, presence: Presence
) -> None:
    """The last of it tells whether the line rose again within the 5 ms."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        port.lose, port.foreign = 1, b"\x00"
        port.late = [(port.clock.now_s() + 0.004, late)] if late else []
        # none of it waits while the character itself is awaited
        assert bus.reset_frame.frame.length_us < 4000
        assert bus.reset().presence is presence


@pytest.mark.parametrize(
    ("late", "presence"),
    [(b"\xf0", Presence.LATE), (b"\x00\xf0", Presence.LATE), (b"", Presence.ABSENT)],
)
def test_what_comes_behind_a_missing_pulse(
    rigged: Make, late: bytes, presence: Presence
) -> None:
    """A low that ends is a late pulse; asked for twice, since once may be the adapter's."""
    adapter, port = rigged()

    def write(data: bytes) -> int:
        port.late = [(port.clock.now_s() + 0.02, late)] if late else []
        return int(type(port).write(port, data))

    with adapter.open():
        bus = Bus(adapter)
        port.write = write
        assert bus.reset().presence is presence
        assert bus._bursts.oddities.miscounted == 0
        assert bus.traffic.resets == (2 if late else 1)
