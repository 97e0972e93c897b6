"""Things that will happen on the bench at a given time, whatever the line does."""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush
from itertools import count
from math import inf


class Agenda:
    """Actions in order of absolute bench time.

    Attributes:
        next_us: time of the first one; inf if there is none.
    """

    def __init__(self) -> None:
        self.next_us = inf
        self._order = count()
        self._entries: list[tuple[float, int, Callable[[], None]]] = []

    def add(self, at_us: float, action: Callable[[], None]) -> None:
        """Have ``action`` done at a bench time."""
        heappush(self._entries, (at_us, next(self._order), action))
        self.next_us = self._entries[0][0]

    def run_due(self, now_us: float) -> None:
        """Do everything that is due by now."""
        while self.next_us <= now_us:
            action = heappop(self._entries)[2]
            self.next_us = self._entries[0][0] if self._entries else inf
            action()
