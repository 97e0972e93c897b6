"""How busy the line was over the whole recording, in bounded memory."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_STRETCHES = 1024


class ActivityTally:
    """Counts lows in equal stretches of time.

    The length of a recording is not known before its end, so a stretch doubles whenever
    the time comes to exceed them all.
    """

    def __init__(self) -> None:
        self._counts = np.zeros(_STRETCHES, np.int64)
        self._first: int | None = None
        self._ticks = 1

    def feed(self, starts: NDArray[np.int64]) -> None:
        """Takes the beginnings of lows, ascending, in ticks."""
        if not len(starts):
            return
        if self._first is None:
            self._first = int(starts[0])
        while int(starts[-1]) - self._first >= _STRETCHES * self._ticks:
            pairs = self._counts.reshape(-1, 2).sum(axis=1)
            self._counts = np.concatenate((pairs, np.zeros(len(pairs), np.int64)))
            self._ticks *= 2
        index = (starts - self._first) // self._ticks
        self._counts += np.bincount(index, minlength=_STRETCHES)

    @property
    def first(self) -> int:
        """Tick at which the first stretch begins."""
        return self._first or 0

    def counts(self, tick_s: float) -> tuple[tuple[int, ...], float]:
        """Lows of each stretch from the first low on, and its length in seconds."""
        used = np.flatnonzero(self._counts)
        last = int(used[-1]) + 1 if len(used) else 0
        return tuple(self._counts[:last].tolist()), self._ticks * tick_s
