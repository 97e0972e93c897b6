"""A receive buffer that runs over while the host fetches nothing."""

from __future__ import annotations

from random import Random


class Overrun:
    """Stalls at random times; what comes in during one must fit into the buffer.

    Args:
        buffer_bytes: what the buffer holds.
        stall_us: length of a stall.
        mean_gap_us: mean time between the end of one and the start of the next.
        now_us: bench time at the start.
        random: source of the times.
    """

    def __init__(
        self,
        *,
        buffer_bytes: int,
        stall_us: float,
        mean_gap_us: float,
        now_us: float,
        random: Random,
    ) -> None:
        self._buffer_bytes = buffer_bytes
        self._stall_us = stall_us
        self._mean_gap_us = mean_gap_us
        self._random = random
        self._waiting = 0
        self._stall_from_us = now_us + self._gap_us()

    def has_room(self, at_us: float) -> bool:
        """False for a character that is lost; to be asked in order of time."""
        while at_us >= self._stall_from_us + self._stall_us:
            self._stall_from_us += self._stall_us + self._gap_us()
            self._waiting = 0
        if at_us < self._stall_from_us:
            return True
        self._waiting += 1
        return self._waiting <= self._buffer_bytes

    def _gap_us(self) -> float:
        return self._random.expovariate(1 / self._mean_gap_us)
