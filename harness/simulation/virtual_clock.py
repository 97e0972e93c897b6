"""A clock that jumps: waiting costs nothing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

_CALENDAR_START = datetime(2024, 1, 1, tzinfo=UTC)


class VirtualClock:
    """Host time of a simulated port; has what the harness asks of a clock.

    Attributes:
        now_us: microseconds since the bench's power-up.
    """

    def __init__(self, *, calendar_start: datetime = _CALENDAR_START) -> None:
        self.now_us = 0.0
        self._calendar_start = calendar_start

    def now_s(self) -> float:
        """Seconds since the bench's power-up."""
        return self.now_us * 1e-6

    def sleep(self, duration_s: float) -> None:
        """Jump forward; a duration of zero or less does nothing."""
        if duration_s > 0:
            self.now_us += duration_s * 1e6

    def move_to(self, at_us: float) -> None:
        """Jump to a time, if it lies ahead."""
        self.now_us = max(self.now_us, at_us)

    def calendar(self) -> datetime:
        """Date and time, UTC."""
        return self._calendar_start + timedelta(microseconds=self.now_us)
