"""The host's time on a simulated bench: one clock that jumps, one that follows the wall."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from threading import Event
from time import monotonic
from typing import Protocol

OVERSLEPT_US = 0.001
"""A real sleep is never short, and neither is one here, however numbers are rounded."""

_CALENDAR_START = datetime(2024, 1, 1, tzinfo=UTC)


class HostClock(Protocol):
    """What port and bench need of a clock."""

    @property
    def now_us(self) -> float:
        """Microseconds since the bench's power-up."""
        ...

    def now_s(self) -> float:
        """Seconds since the bench's power-up."""
        ...

    def sleep(self, duration_s: float) -> None:
        """Wait."""
        ...

    def move_to(self, at_us: float) -> None:
        """Wait until a time, if it lies ahead."""
        ...

    def calendar(self) -> datetime:
        """Date and time, UTC."""
        ...


class VirtualClock:
    """A clock that jumps: waiting costs nothing."""

    def __init__(self, *, calendar_start: datetime = _CALENDAR_START) -> None:
        self._now_us = 0.0
        self._calendar_start = calendar_start

    @property
    def now_us(self) -> float:
        """Microseconds since the bench's power-up."""
        return self._now_us

    def now_s(self) -> float:
        """Seconds since the bench's power-up."""
        return self._now_us * 1e-6

    def sleep(self, duration_s: float) -> None:
        """Jump forward; a duration of zero or less does nothing."""
        if duration_s > 0:
            self._now_us += duration_s * 1e6 + OVERSLEPT_US

    def move_to(self, at_us: float) -> None:
        """Jump to a time, if it lies ahead."""
        self._now_us = max(self._now_us, at_us)

    def calendar(self) -> datetime:
        """Date and time, UTC."""
        return self._calendar_start + timedelta(microseconds=self._now_us)


class WallClock:
    """A clock that follows the machine's, for a bench that others reach from outside.

    Args:
        start_us: bench time at this moment.
    """

    def __init__(self, *, start_us: float) -> None:
        self._zero_s = monotonic() - start_us * 1e-6

    @property
    def now_us(self) -> float:
        """Microseconds since the bench's power-up."""
        return self.now_s() * 1e6

    def now_s(self) -> float:
        """Seconds since the bench's power-up."""
        return monotonic() - self._zero_s

    def sleep(self, duration_s: float) -> None:
        """Wait in real time."""
        if duration_s > 0:
            Event().wait(duration_s)

    def move_to(self, at_us: float) -> None:
        """Wait in real time until then."""
        self.sleep((at_us - self.now_us) * 1e-6)

    def calendar(self) -> datetime:
        """Date and time now, UTC."""
        return datetime.now(UTC)
