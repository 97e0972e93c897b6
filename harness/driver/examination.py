"""An adapter by itself, with TX joined to RX or on an idle bus: what it is and can do.

It begins with one reset. If a device answers, only what the self-check sends goes out
(read slots, which devices that wait for a reset ignore); otherwise every value of a
character, and long bursts at rates across the range, timed against the host's clock.

Times of bursts end with a packet on USB, so a burst is a whole number of packets, the
shorter of two bursts is taken off the longer, and the quickest of a few counts: a busy
host only ever makes a burst longer.
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass

from harness.driver.adapter import Adapter
from harness.driver.port import translated
from harness.driver.port_rates import reported_rate
from harness.errors import (
    AdapterError,
    ExtraEcho,
    LineNotReady,
    NoEcho,
    PortUnsuitable,
    ShortEcho,
)
from harness.wire.grid_fit import MeasuredRate

_RESET, _RESET_BAUD = b"\xf0", 9600
"""A reset of 521 us, within limits (arithmetic of an 8N1 character)."""

_PLAIN_BAUD = 115_200
"""A rate that every adapter makes, fast enough for packets to fill up."""

REQUESTS_BAUD = (
    9600, 10_400, 14_000, 31_250, 57_600, 74_880, 111_000, 115_200, 128_000, 142_857,
    150_000, 200_000, 325_000, 460_800, 750_000, 921_600, 1_000_000, 2_000_000,
)  # fmt: skip
"""Rates across the range, customary ones and such at which the grids differ most."""

_TOOK_S = 0.6
"""Time of a long burst: a frame of USB in it is 0.2 per cent."""

_FRAME_S = 0.001
"""Frame of full-speed USB: when a packet is fetched is not known better."""

_MOST = 16_384
_TIMES = 3
_TRIPS = 64
_POLL_S = 0.0002


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundTrips:
    """Round trips of one character, in milliseconds."""

    shortest_ms: float
    median_ms: float
    p95_ms: float
    longest_ms: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AdapterExamination:
    """What an examination found; None where it was not tried, or does not work.

    Attributes:
        answers: True if a device answered the reset: nothing else was sent to it.
        lines: the four lines that come in, by name; None where the port has none.
        latency: what became of the wish for low latency.
        trips: round trips.
        same: values of a character that came back as sent, of 256.
        packet: characters that arrive together most often.
        longest: longest burst that came back whole.
        reported: whether the system reports the rate made, instead of the one asked for.
        rates: rates made.
        refused_baud: rates that the port refuses, or that do not come back.
    """

    answers: bool
    lines: dict[str, bool] | None
    latency: str
    trips: RoundTrips
    same: int | None
    packet: int | None
    longest: int | None
    reported: dict[int, int]
    rates: tuple[MeasuredRate, ...]
    refused_baud: tuple[int, ...]


def examine(adapter: Adapter) -> AdapterExamination:
    """Examine an open adapter.

    Raises:
        NoEcho: nothing comes back: TX and RX are not joined, or the line is low.
        LineNotReady: the line is low before anything was sent.
        AdapterError: the port is gone.
    """
    adapter.hear()  # raises if the port is not open
    lines = _lines_in(adapter)
    adapter.settle()
    echo = adapter.exchange(_RESET, _RESET_BAUD)
    if echo == b"\x00":
        raise LineNotReady("the line is low", where=adapter.url)
    late = adapter.settle()
    answers = echo != _RESET or bool(late)
    baud = _PLAIN_BAUD
    trips = _trips(adapter, baud)
    if answers:
        return AdapterExamination(
            answers=True, lines=lines, latency=adapter.latency, trips=trips, same=None,
            packet=None, longest=None, reported={}, rates=_only(adapter, baud, trips),
            refused_baud=(),
        )  # fmt: skip
    same = _same(adapter, baud)
    packet = _packet(adapter)
    longest = _longest_whole(adapter)
    adapter.max_burst = max(longest, 1)
    rates: list[MeasuredRate] = []
    refused: list[int] = []
    reported: dict[int, int] = {}
    for request in REQUESTS_BAUD:
        found = _rate(adapter, request, packet or 1, trips)
        if found is None:
            refused.append(request)
            continue
        rates.append(found)
        reported[request] = reported_rate(adapter.port)
    return AdapterExamination(
        answers=False, lines=lines, latency=adapter.latency, trips=trips, same=same,
        packet=packet, longest=longest, reported=reported, rates=tuple(rates),
        refused_baud=tuple(refused),
    )  # fmt: skip


def _lines_in(adapter: Adapter) -> dict[str, bool] | None:
    """What comes in on the handshake lines right after opening; a pty has none."""
    with suppress(OSError, AttributeError):
        port = adapter.port
        return {name: bool(getattr(port, name)) for name in ("cts", "dsr", "ri", "cd")}
    return None


def _trips(adapter: Adapter, baud: int) -> RoundTrips:
    took = sorted(_timed(adapter, b"\xff", baud) for _ in range(_TRIPS))
    return RoundTrips(
        shortest_ms=round(took[0] * 1e3, 3),
        median_ms=round(statistics.median(took) * 1e3, 3),
        p95_ms=round(took[int(0.95 * len(took))] * 1e3, 3),
        longest_ms=round(took[-1] * 1e3, 3),
    )


def _timed(adapter: Adapter, frames: bytes, baud: int) -> float:
    started_s = adapter.clock.now_s()
    adapter.exchange(frames, baud)
    return adapter.clock.now_s() - started_s


def _same(adapter: Adapter, baud: int) -> int:
    """Values of a character that come back as sent, each between two others."""
    sent = bytes(range(256))
    back = adapter.gather(sent, baud)
    return sum(a == b for a, b in zip(sent, back, strict=False))


def _packet(adapter: Adapter) -> int | None:
    """Characters that arrive together most often while a long burst comes back."""
    sizes: Counter[int] = Counter()
    for baud in (921_600, 460_800, _PLAIN_BAUD):  # fast: a full packet, not a timer
        with suppress(PortUnsuitable, NoEcho, ShortEcho, ExtraEcho):
            adapter.exchange(b"\xff" * 8, baud)
            sizes = _arrivals(adapter, b"\xff" * 2000)
            break
    return sizes.most_common(1)[0][0] if sizes else None


def _arrivals(adapter: Adapter, frames: bytes) -> Counter[int]:
    sizes: Counter[int] = Counter()
    with translated(adapter.url):
        adapter.port.write(frames)
        waiting = 0
        until_s = adapter.clock.now_s() + 0.5
        while waiting < len(frames) and adapter.clock.now_s() < until_s:
            adapter.clock.sleep(_POLL_S)
            now = adapter.port.in_waiting
            if now > waiting:
                sizes[now - waiting] += 1
            waiting = now
        adapter.port.read(waiting)
    adapter.settle()
    return sizes


def _longest_whole(adapter: Adapter) -> int:
    """Longest burst, by doubling, of which every character comes back."""
    longest, size = 1, 256
    while size <= _MOST:
        adapter.max_burst = size
        try:
            adapter.exchange(b"\xff" * size, _PLAIN_BAUD)
        except (NoEcho, ShortEcho, ExtraEcho):
            adapter.settle()
            break
        longest, size = size, 2 * size
    return longest


def _only(adapter: Adapter, baud: int, trips: RoundTrips) -> tuple[MeasuredRate, ...]:
    found = _rate(adapter, baud, 1, trips)
    return (found,) if found else ()


def _rate(
    adapter: Adapter, baud: int, packet: int, trips: RoundTrips
) -> MeasuredRate | None:
    """The rate by a long burst less a short one; None if the port does not work there."""
    count = max(64, min(adapter.max_burst, int(_TOOK_S * baud / 10)))
    long = max(1, count // packet) * packet
    short = max(1, long // (4 * packet)) * packet
    if long == short:
        long = 2 * short
    try:
        took = [
            [_timed(adapter, b"\xff" * size, baud) for _ in range(_TIMES)]
            for size in (long, short)
        ]
    except (PortUnsuitable, NoEcho, ShortEcho, ExtraEcho):
        _recover(adapter)
        return None
    between_s = min(took[0]) - min(took[1])
    if between_s <= 0:
        return None
    scatter_s = max(statistics.median(one) - min(one) for one in took)
    return MeasuredRate(
        request_baud=baud,
        baud=10 * (long - short) / between_s,
        # two ends, each within a frame or what the latency timer adds: of two rectangles
        # of that width the root of the sum of squares is 1 / sqrt(6)
        doubt=max(_FRAME_S, trips.median_ms * 1e-3, scatter_s) / 6**0.5 / between_s,
    )


def _recover(adapter: Adapter) -> None:
    """Back to a rate that works; of a port that is gone the next burst says so."""
    with suppress(AdapterError):
        adapter.settle()
        adapter.exchange(b"\xff", _PLAIN_BAUD)


def examination_lines(found: AdapterExamination) -> Iterator[str]:
    """What was measured, a line each."""
    trips = found.trips
    yield _handshake_line(found.lines)
    yield f"latency: {found.latency}"
    yield (
        f"round trip of one character: {trips.shortest_ms:g} to {trips.longest_ms:g} ms, "
        f"median {trips.median_ms:g} ms, 95 % within {trips.p95_ms:g} ms"
    )
    yield from _echo_lines(found)
    for rate in found.rates:
        yield (
            f"asked for {rate.request_baud} baud: {rate.baud:.0f} baud "
            f"+- {100 * 2 * rate.doubt:.2f} % "
            f"({100 * (rate.baud / rate.request_baud - 1):+.2f} %)"
        )
    if found.refused_baud:
        yield f"not made: {', '.join(map(str, found.refused_baud))} baud"


def _handshake_line(lines: Mapping[str, bool] | None) -> str:
    if lines is None:
        return "handshake lines: this port has none"
    high = [name.upper() for name, is_on in lines.items() if is_on]
    return f"handshake lines in, at opening: {', '.join(high) or 'none'} asserted"


def _echo_lines(found: AdapterExamination) -> Iterator[str]:
    """What could only be measured with a loop: values, packets and bursts that come back."""
    if found.same is not None:
        yield f"echo: {found.same} of 256 values come back as sent"
    if found.packet is not None:
        yield f"packets: most often {found.packet} characters arrive together"
    if found.longest is not None:
        more = " or more" if found.longest == _MOST else ""
        yield f"longest whole burst: {found.longest}{more} characters"
