"""Time as an argument: code that waits takes a Clock, and the port brings it.

A real port has the system's clock; a simulated one brings a virtual clock that
jumps. Nothing else in slotproof sleeps or asks for the time.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol, runtime_checkable


@runtime_checkable
class Clock(Protocol):
    """Seconds that only go forward, a way to wait, and the calendar."""

    def now_s(self) -> float:
        """Monotonic time in seconds from an arbitrary origin."""
        ...

    def sleep(self, duration_s: float) -> None:
        """Wait; a duration of zero or less returns at once."""
        ...

    def calendar(self) -> datetime:
        """Date and time, UTC, for records that people read."""
        ...


class SystemClock:
    """The clock of this machine."""

    # A far-off origin makes a mix-up with another clock show at once.
    _ORIGIN_S = 3_141_592_653.0

    def now_s(self) -> float:
        """Monotonic seconds."""
        return time.monotonic() + self._ORIGIN_S

    def sleep(self, duration_s: float) -> None:
        """Wait in real time."""
        if duration_s > 0:
            time.sleep(duration_s)  # noqa: TID251 - the one place that may

    def calendar(self) -> datetime:
        """Date and time now, UTC."""
        return datetime.now(UTC)


def zone_offset_s() -> int:
    """The zone of this machine now, in seconds east of UTC."""
    offset = datetime.now(UTC).astimezone().utcoffset()
    return int(offset.total_seconds()) if offset else 0
