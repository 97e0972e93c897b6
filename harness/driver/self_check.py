"""The adapter's self-check before the first reset: silence, echo, round trips, rate.

It sends read slots only, which devices that wait for a reset ignore. That other
characters come back too is for ``driver.echo_proof``.
"""

from __future__ import annotations

import statistics
from dataclasses import asdict, dataclass
from typing import Any

from harness.driver.adapter import Adapter
from harness.driver.port import translated
from harness.driver.port_rates import reported_rate
from harness.errors import ExtraEcho, LineNotReady, WrongRate

_RATE_BURST = 2000
"""Slots by which the rate is measured: 0.14 s or more, long against a round trip."""

_RATE_ALLOWANCE = 0.03
"""Less than half of the smallest step between table rates around the slot rate (7.5 %)."""

_RATE_TRIES = 3
"""A busy host only ever makes a burst longer, so the best of three counts."""

_SCATTER_S = 0.002
"""One USB frame at each end of a burst: times that lie further apart were made late by the
host, and a wrong rate is not shown by them."""

_LATE_BURST, _LATE_TRIES = 500, 12
"""Where they do: eight packets of 62, of which none is late in half of the bursts if one of
12 packets is; one try of 12 is then on time but once in 4096. With the allowance of a frame in 35 ms
(6 %) it is still less than a step between table rates."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AdapterReport:
    """What the self-check found; plain facts for the journal."""

    port: str
    kind: str
    clock_tolerance_ppm: float
    latency: str
    round_trip_median_ms: float
    round_trip_p95_ms: float
    round_trip_max_ms: float
    asked_baud: int
    expected_baud: float
    measured_baud: float
    reported_baud: int
    idle_echo: str

    def as_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return asdict(self)


def check_adapter(adapter: Adapter, baud: int) -> AdapterReport:
    """Prove the adapter before the first reset, with read slots only.

    Devices that wait for a reset ignore single slots, so nothing on the bus
    moves. Checks silence, echo, round trips, and by a long burst the real rate. The
    adapter keeps the usual round trip.

    Args:
        adapter: an open adapter.
        baud: slot rate to ask for, with one stop bit.

    Raises:
        ExtraEcho: characters arrive that were not sent.
        NoEcho, ShortEcho: the loop-back fails.
        LineNotReady: the line is low.
        WrongRate: the burst took a time that does not fit the rate.
    """
    _listen(adapter)
    round_trips_s = []
    echo = b""
    for _ in range(16):
        started_s = adapter.clock.now_s()
        echo = adapter.exchange(b"\xff", baud)
        round_trips_s.append(adapter.clock.now_s() - started_s)
        if echo == b"\x00":
            raise LineNotReady(
                "the line is low before the first reset", where=adapter.url
            )
    measured = _measured_rate(adapter, baud, round_trips_s)
    expected = adapter.grid.achieved(baud)
    ordered = sorted(round_trips_s)
    median_ms = round(statistics.median(ordered) * 1e3, 3)
    adapter.round_trip_s = median_ms * 1e-3
    return AdapterReport(
        port=adapter.url,
        kind=adapter.grid.kind,
        clock_tolerance_ppm=adapter.grid.tolerance_ppm,
        latency=adapter.latency,
        round_trip_median_ms=median_ms,
        round_trip_p95_ms=round(ordered[int(0.95 * len(ordered))] * 1e3, 3),
        round_trip_max_ms=round(ordered[-1] * 1e3, 3),
        asked_baud=baud,
        expected_baud=round(expected, 1),
        measured_baud=round(measured, 1),
        reported_baud=reported_rate(adapter.port),
        idle_echo=echo.hex().upper(),
    )


def _measured_rate(adapter: Adapter, baud: int, round_trips_s: list[float]) -> float:
    """Rate by the time that a long burst takes.

    Raises:
        WrongRate: none of a few tries took a time that fits the rate.
    """
    median_s = statistics.median(round_trips_s)
    spread_s = max(round_trips_s) - min(round_trips_s) + 0.001
    expected = adapter.grid.achieved(baud)

    def fitting(size: int, tries: int) -> tuple[float | None, list[float]]:
        """Rate of the first burst whose time fits; times of those that do not."""
        burst = b"\xff" * min(size, adapter.max_burst)
        allowed = _RATE_ALLOWANCE + spread_s * expected / (10 * len(burst))
        took_s: list[float] = []
        for _ in range(tries):
            started_s = adapter.clock.now_s()
            adapter.exchange(burst, baud)
            took_s.append(adapter.clock.now_s() - started_s)
            measured = 10 * (len(burst) - 1) / max(took_s[-1] - median_s, 1e-9)
            if abs(measured / expected - 1) <= allowed:
                return measured, took_s
        return None, took_s

    size = min(_RATE_BURST, adapter.max_burst)
    measured, took_s = fitting(size, _RATE_TRIES)
    if measured is None and max(took_s) - min(took_s) > _SCATTER_S:
        size = min(_LATE_BURST, adapter.max_burst)
        measured, took_s = fitting(size, _LATE_TRIES)
    if measured is not None:
        return measured
    least_s = min(took_s)
    raise WrongRate(
        f"asked for {baud} baud, {size} slots took {least_s * 1e3:.1f} ms, that is about "
        f"{10 * (size - 1) / max(least_s - median_s, 1e-9):.0f} baud",
        where=adapter.url,
    )


def _listen(adapter: Adapter) -> None:
    """Require silence, once the characters that the opening itself causes are over.

    Opening the port raises RTS and with it perhaps the supply: devices that get
    power announce themselves by a presence pulse of their own.
    """
    adapter.settle()
    with translated(adapter.url):
        adapter.port.reset_input_buffer()
    late = adapter.settle()
    if late and set(late) == {0}:
        raise LineNotReady("the line went low on its own", where=adapter.url)
    if late:
        raise ExtraEcho(
            f"{len(late)} characters arrived that were not sent ({late[:8].hex(' ').upper()})",
            where=adapter.url,
        )
