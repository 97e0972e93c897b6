"""An adapter examined by itself: found as it is, and devices left in peace."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from harness.driver import examination
from harness.driver.adapter import Adapter
from harness.driver.examination import (
    AdapterExamination,
    RoundTrips,
    examination_lines,
    examine,
)
from harness.errors import AdapterUnplugged, LineNotReady, NoEcho
from harness.wire.grid_fit import MeasuredRate, fits

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


@pytest.fixture
def few_rates(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fewer rates and shorter bursts: all are tried by the benchmark."""
    monkeypatch.setattr(
        examination, "REQUESTS_BAUD", (9600, 10_400, 57_600, 115_200, 142_857)
    )
    monkeypatch.setattr(examination, "_TOOK_S", 0.2)


@pytest.mark.usefixtures("few_rates")
@pytest.mark.parametrize(("kind", "packet"), [("rate-table", 62), ("prescaled-divider", 32)])  # fmt: skip
def test_found_as_it_is(bus_with: Make, kind: str, packet: int) -> None:
    """Echo, packets, longest burst, latency, rates and clock of an adapter nobody knows."""
    truth = {"error_ppm": -1200, "packet_bytes": packet, "latency_ms": 2}
    with bus_with([], kind=kind, adapter=truth) as bus:
        found = examine(bus.adapter)
    assert not found.answers
    assert (found.same, found.packet) == (256, packet)
    assert found.longest == 16_384
    assert 2 <= found.trips.median_ms < 4
    assert found.lines == {"cts": False, "dsr": False, "ri": False, "cd": False}
    agreeing = {fit.grid.kind: fit for fit in fits(found.rates)}
    assert kind in agreeing
    assert abs(agreeing[kind].clock_ppm + 1200) < 3 * agreeing[kind].doubt_ppm
    assert any("256 of 256" in line for line in examination_lines(found))


def test_a_device_gets_read_slots_only(bus_with: Make, new_device: Make) -> None:
    """With a device on the line one reset and ones go out, and nothing else."""
    with bus_with([], devices=[new_device(0x28, 5)]) as bus:
        sent = bytearray()
        write = type(bus.adapter.port).write

        def kept(data: bytes) -> int:
            sent.extend(data)
            return int(write(bus.adapter.port, data))

        bus.adapter.port.write = kept
        found = examine(bus.adapter)
    assert found.answers
    assert found.same is None
    assert sent[:1] == b"\xf0"
    assert set(sent[1:]) == {0xFF}


def test_an_overrun_limits_the_burst(rigged: Make) -> None:
    """A buffer that overruns shows as the longest burst that is whole."""
    adapter, port = rigged()
    write = type(port).write

    def overrun(data: bytes) -> int:
        port.lose = max(0, len(data) - 1000)
        return int(write(port, data))

    port.write = overrun
    with adapter.open():
        assert examination._longest_whole(adapter) == 512


def test_nothing_comes_back(rigged: Make) -> None:
    """TX and RX that are not joined are an error in words, not a table of zeros."""
    adapter, port = rigged()
    port.lose = 1
    with adapter.open(), pytest.raises(NoEcho):
        examine(adapter)


def test_a_low_line(bus_with: Make) -> None:
    """A line that is low before anything was sent is named."""
    with (
        bus_with([], faults=[{"kind": "line-shorted"}]) as bus,
        pytest.raises((LineNotReady, NoEcho)),
    ):
        examine(bus.adapter)


def test_closed_adapter_is_not_examined() -> None:
    """Nothing is measured on a port that is not open."""
    with pytest.raises(Exception, match="not open"):
        examine(Adapter("nowhere"))


# -- arithmetic, on a port whose times are written down -----------------------------

TRIPS = RoundTrips(shortest_ms=1, median_ms=2, p95_ms=3, longest_ms=4)


@pytest.fixture
def timed(rigged: Make) -> Callable[..., Any]:
    """An adapter whose bursts take what a test says, in seconds, and their sizes."""

    def make(took_s: Callable[[int, int], float], **settings: Any) -> Any:  # noqa: ANN401
        adapter, port = rigged(**settings)
        sizes: list[int] = []

        def write(data: bytes) -> int:
            sizes.append(len(data))
            port.clock.sleep(took_s(len(sizes), len(data)))
            port._waiting += data[port.lose :]
            return len(data)

        port.write = write
        return adapter, port, sizes

    return make


def test_round_trips_of_64_characters(timed: Make) -> None:
    """1 to 64 ms in any order: 0.95 x 64 = 60.8 are shorter than the 61st."""
    adapter, _, sizes = timed(lambda n, _: (65 - n) / 1000)
    with adapter.open():
        found = examination._trips(adapter, 9600)
    assert sizes == [1] * 64
    assert found == RoundTrips(
        shortest_ms=1.0, median_ms=32.5, p95_ms=61.0, longest_ms=64.0
    )


def test_round_trips_in_whole_microseconds(timed: Make) -> None:
    """What is below a microsecond is the clock's, what is above is kept."""
    adapter, _, _ = timed(lambda n, _: n / 1000 + 0.000_234_4)
    with adapter.open():
        found = examination._trips(adapter, 9600)
    assert found == RoundTrips(
        shortest_ms=1.234, median_ms=32.734, p95_ms=61.234, longest_ms=64.234
    )


@pytest.mark.parametrize(
    ("baud", "packet", "max_burst", "sizes"),
    [
        # 0.6 s of characters, no more than a burst holds, in whole packets of 62
        (9600, 62, 4000, (9 * 62, 2 * 62)),
        (115_200, 62, 4000, (64 * 62, 16 * 62)),
        (115_200, 62, 16_384, (111 * 62, 27 * 62)),
        # at least 64 characters, and always two sizes
        (600, 100, 4000, (200, 100)),
        (600, 1, 4000, (64, 16)),
    ],
)
def test_a_rate_by_two_bursts(
    timed: Make, baud: int, packet: int, max_burst: int, sizes: tuple[int, int]
) -> None:
    """What is constant falls out; the quickest of three counts; a frame is the doubt.

    The root of the sum of squares of two rectangles 1 ms wide is 1 / sqrt(6) ms.
    """
    late_s = iter([0.003, 0.0, 0.001] * 2)
    made_baud = 1.01 * baud

    def took_s(_: int, size: int) -> float:
        return 0.004 + size * 10 / made_baud + next(late_s, 0.0)

    adapter, _, made = timed(took_s, max_burst=max_burst)
    long, short = sizes
    trips = RoundTrips(shortest_ms=0.1, median_ms=0.2, p95_ms=0.3, longest_ms=0.4)
    with adapter.open():
        found = examination._rate(adapter, baud, packet, trips)
    assert made == [long] * 3 + [short] * 3
    assert found is not None
    assert found.request_baud == baud
    assert found.baud == pytest.approx(made_baud)
    between_s = 10 * (long - short) / made_baud
    assert found.doubt == pytest.approx(0.001 / math.sqrt(6) / between_s)


@pytest.mark.parametrize(
    ("median_ms", "late_ms", "doubt_ms"), [(16, 0, 16), (0.5, 9, 5), (0.5, 0, 1)]
)
def test_the_doubt_of_a_rate_is_the_largest_that_is_known(
    timed: Make, median_ms: float, late_ms: float, doubt_ms: float
) -> None:
    """A latency timer, the scatter (median less the quickest) or a frame of USB."""
    late_s = iter([late_ms / 1000, 0.0, 5 / 9 * late_ms / 1000] * 2)
    adapter, _, _ = timed(lambda _, size: size * 10 / 9600 + next(late_s))
    trips = RoundTrips(shortest_ms=0, median_ms=median_ms, p95_ms=20, longest_ms=30)
    with adapter.open():
        found = examination._rate(adapter, 9600, 1, trips)
    assert found is not None
    between_s = 10 * (576 - 144) / 9600
    assert found.doubt == pytest.approx(doubt_ms / 1000 / 6**0.5 / between_s)


@pytest.mark.parametrize("long_s", [2**-7, 2**-8])
def test_a_rate_that_takes_no_time_is_none(timed: Make, long_s: float) -> None:
    """A burst that takes no longer than a shorter one measures nothing.

    Powers of two, so that times that are equal are so as floats as well.
    """
    adapter, port, _ = timed(lambda n, _size: long_s if n <= 3 else 2**-7)
    port.clock.sleep(-port.clock.now_s())
    with adapter.open():
        assert examination._rate(adapter, 9600, 1, TRIPS) is None


def test_a_rate_that_does_not_come_back(timed: Make) -> None:
    """It is left for a plain one; a port that is gone ends the examination."""
    adapter, port, sizes = timed(lambda _, size: size * 10 / 9600)
    with adapter.open():
        port.lose = 1
        assert examination._rate(adapter, 9600, 1, TRIPS) is None
        assert sizes[-1] == 1
        assert port.baudrate == 115_200
        port.lose = 1
        port.fail["in_waiting"] = OSError(5, "gone")
        with pytest.raises(AdapterUnplugged):
            examination._rate(adapter, 9600, 1, TRIPS)


def test_values_that_come_back(timed: Make) -> None:
    """Each of 256 is counted that is what was sent."""
    adapter, port, _ = timed(lambda _n, _size: 0.001)
    with adapter.open():
        assert examination._same(adapter, 9600) == 256
        port.write = lambda data: port._waiting.extend(b"\x55" + data[1:]) or len(data)
        assert examination._same(adapter, 9600) == 255


def test_arrivals_are_seen_one_by_one(rigged: Make) -> None:
    """62 characters each millisecond, looked for each 0.2 ms: 62 at a time, the rest last."""
    adapter, port = rigged()

    def write(data: bytes) -> int:
        now_s = port.clock.now_s()
        port.late = [
            (now_s + 0.001 * (n // 62 + 1), data[n : n + 62])
            for n in range(0, len(data), 62)
        ]
        return len(data)

    with adapter.open():
        port.write = write
        found = examination._arrivals(adapter, b"\xff" * 200)
        assert found == {62: 3, 14: 1}
        # what takes longer than half a second is not waited for
        before_s = port.clock.now_s()
        port.write = len
        assert examination._arrivals(adapter, b"\xff" * 200) == {}
        assert port.clock.now_s() - before_s == pytest.approx(0.55, abs=0.001)


def test_a_burst_grows_to_16384(timed: Make) -> None:
    """By doubling from 256 on; one character where not even that comes back whole."""
    adapter, port, sizes = timed(lambda _n, _size: 0.001)
    with adapter.open():
        assert examination._longest_whole(adapter) == 16_384
        assert sizes == [256 << n for n in range(7)]
        port.lose = 1
        assert examination._longest_whole(adapter) == 1


def test_requests_are_round_figures_in_rising_order() -> None:
    """Tens, or a seventh of 1 MBd, from the slowest customary rate to 2 MBd."""
    requests = examination.REQUESTS_BAUD
    assert (requests[0], requests[-1]) == (9600, 2_000_000)
    assert list(requests) == sorted(set(requests))
    assert [r for r in requests if r % 10] == [round(1e6 / 7)]


def test_what_is_told_of_an_adapter() -> None:
    """Figures a line each: two deviations for 95 %, and the error against the request."""
    rate = MeasuredRate(request_baud=10_000, baud=10_150.4, doubt=0.0012)
    lines = list(
        examination_lines(
            AdapterExamination(
                answers=False,
                lines={"cts": True, "dsr": False, "ri": False, "cd": True},
                latency="left as found",
                trips=TRIPS,
                same=255,
                packet=62,
                longest=16_384,
                reported={},
                rates=(rate,),
                refused_baud=(750_000, 2_000_000),
            )
        )
    )
    assert lines == [
        "handshake lines in, at opening: CTS, CD asserted",
        "latency: left as found",
        "round trip of one character: 1 to 4 ms, median 2 ms, 95 % within 3 ms",
        "echo: 255 of 256 values come back as sent",
        "packets: most often 62 characters arrive together",
        "longest whole burst: 16384 or more characters",
        "asked for 10000 baud: 10150 baud +- 0.24 % (+1.50 %)",
        "not made: 750000, 2000000 baud",
    ]


def test_what_is_not_told_where_a_device_answers() -> None:
    """Only what was tried; a longest burst below the end of the range is exact."""
    found = AdapterExamination(
        answers=True, lines=None, latency="left as found", trips=TRIPS, same=None,
        packet=None, longest=8192, reported={}, rates=(), refused_baud=(),
    )  # fmt: skip
    lines = list(examination_lines(found))
    assert lines[0] == "handshake lines: this port has none"
    assert lines[-1] == "longest whole burst: 8192 characters"
    assert len(lines) == 4
    quiet = AdapterExamination(
        answers=True, lines={"cts": False}, latency="", trips=TRIPS, same=None,
        packet=None, longest=None, reported={}, rates=(), refused_baud=(),
    )  # fmt: skip
    assert (
        next(examination_lines(quiet))
        == "handshake lines in, at opening: none asserted"
    )
