"""Time under test of a soak: its rounds in time, without the pauses between two runs.

What is compared with chance must be compared with the tries that were made. Between a
cut and the run that takes the soak up again, and while the adapter is away, there are
none, so exposure is counted in rounds and never in time on the clock.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Sequence

KEPT_ROUNDS = 16_384
"""Rounds whose time is kept at most; of more, every second, fourth and so on."""


class TestTime:
    """The rounds of one soak in journal time.

    Args:
        started_s: journal time of its start, seconds.
    """

    __test__ = False  # no test, whatever its name begins with

    def __init__(self, started_s: float) -> None:
        self._last_s = started_s
        self._times_s = array("d")
        self._stride = 1
        self._rounds = 0
        self._pauses: list[tuple[float, float]] = []

    def take(self, at_s: float, rounds: int) -> None:
        """Rounds that ended by this time, spread evenly since the last ones."""
        first = -(-self._rounds // self._stride) * self._stride
        for number in range(first, self._rounds + rounds, self._stride):
            share = (number - self._rounds + 1) / rounds
            self._times_s.append(self._last_s + share * (at_s - self._last_s))
        self._rounds += rounds
        self._last_s = at_s
        while len(self._times_s) > KEPT_ROUNDS:
            self._times_s = self._times_s[::2]
            self._stride *= 2

    def pause(self, from_s: float, to_s: float) -> None:
        """No time under test between these, journal seconds."""
        self._pauses.append((from_s, to_s))
        self._last_s = to_s

    @property
    def rounds_s(self) -> Sequence[float]:
        """When rounds ended, journal seconds, ascending; evenly thinned if many."""
        return self._times_s

    def ended_s(self, cycle: int) -> float:
        """When a round ended, counted from 1; of thinned ones the nearest kept."""
        if not self._times_s:
            return self._last_s
        index = round((cycle - 1) / self._stride)
        return self._times_s[min(max(index, 0), len(self._times_s) - 1)]

    def part_of(self, at_s: float) -> int:
        """Between which pauses a journal time lies, from 0."""
        return bisect_right([to_s for _, to_s in self._pauses], at_s)
