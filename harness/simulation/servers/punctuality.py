"""Says when a bench that follows real time cannot keep up with it."""

from __future__ import annotations

from collections.abc import Callable

from harness.simulation.servers.bench import Bench

LATE_MS = 20.0
"""Later than this is reported: it is of the order of a slow adapter's own latency."""


class Punctuality:
    """Watches how late packets leave for the host.

    Args:
        bench: a bench that follows the wall clock.
        report: called with one sentence each time lateness grows to a new worst.

    Attributes:
        worst_ms: the latest so far.
    """

    def __init__(self, bench: Bench, report: Callable[[str], None]) -> None:
        self.worst_ms = LATE_MS
        self._bench = bench
        self._report = report

    def check(self) -> None:
        """Call when packets have just been handed over."""
        late_us = self._bench.clock.now_us - self._bench.adapter.delivered_us
        if late_us > self.worst_ms * 1000:
            self.worst_ms = late_us / 1000
            self._report(
                f"the bench is {self.worst_ms:.0f} ms behind real time; echoes come "
                "late, and no device is to blame"
            )
