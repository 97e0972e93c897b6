"""The exact course of events on the line: timers, pulls and threshold crossings.

Time counts in microseconds from ``origin_us``; the bench moves the origin to the
start of each character, so that equal situations run through equal numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heapify, heappop, heappush
from itertools import count
from math import inf

from harness.simulation.line.line import Line

Action = Callable[[], None]
EdgeListener = Callable[[bool], None]


class Timer:
    """An action at a time; may be called off."""

    __slots__ = ("action", "at_us")

    def __init__(self, at_us: float, action: Action) -> None:
        self.at_us = at_us
        self.action: Action | None = action

    def cancel(self) -> None:
        """It will not happen."""
        self.action = None


class Comparator:
    """A listener's threshold with hysteresis, shared by all who have the same.

    Attributes:
        is_high: what the listeners take the line for.
    """

    __slots__ = ("high_v", "is_high", "listeners", "low_v")

    def __init__(self, *, low_v: float, high_v: float) -> None:
        self.low_v = low_v
        self.high_v = high_v
        self.is_high = True
        self.listeners: dict[object, EdgeListener] = {}

    def next_us(self, line: Line) -> float:
        """When it will change its mind."""
        if self.is_high:
            return line.crossing_us(self.low_v, rising=False)
        return line.crossing_us(self.high_v, rising=True)


class Engine:
    """Runs line, timers and comparators in order of time."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.origin_us = 0.0
        self.now_us = 0.0
        self._order = count()
        self._timers: list[tuple[float, int, Timer]] = []
        self._comparators: dict[tuple[float, float], Comparator] = {}
        self._highest_v: float | None = None

    @property
    def absolute_us(self) -> float:
        """Bench time now."""
        return self.origin_us + self.now_us

    def after(self, delay_us: float, action: Action) -> Timer:
        """Have ``action`` done ``delay_us`` from now."""
        return self.at(self.now_us + delay_us, action)

    def at(self, at_us: float, action: Action) -> Timer:
        """Have ``action`` done at a time counted from the origin."""
        timer = Timer(at_us, action)
        heappush(self._timers, (at_us, next(self._order), timer))
        return timer

    def listen(
        self,
        owner: object,
        *,
        low_v: float,
        high_v: float,
        on_edge: EdgeListener,
        was_high: bool = False,
    ) -> Comparator:
        """Call ``on_edge(is_high)`` at each crossing of a threshold.

        Args:
            owner: to be named to ``ignore``.
            low_v: falling threshold.
            high_v: rising threshold.
            on_edge: who wants to know.
            was_high: how a line between the two is taken.
        """
        comparator = self._comparators.get((low_v, high_v))
        if comparator is None:
            comparator = Comparator(low_v=low_v, high_v=high_v)
            volts = self.line.volts
            comparator.is_high = volts >= (low_v if was_high else high_v)
            self._comparators[low_v, high_v] = comparator
        comparator.listeners[owner] = on_edge
        self._highest_v = None
        return comparator

    def ignore(self, owner: object) -> None:
        """``owner`` listens no more."""
        for key, comparator in list(self._comparators.items()):
            comparator.listeners.pop(owner, None)
            if not comparator.listeners:
                del self._comparators[key]
        self._highest_v = None

    @property
    def is_calm(self) -> bool:
        """True if all see a high line and nothing is due."""
        self._drop_cancelled()
        return not self._timers and all(
            comparator.is_high for comparator in self._comparators.values()
        )

    @property
    def is_still(self) -> bool:
        """True if nothing is due on a high line, above all thresholds now and later."""
        if self._timers:
            return False
        if self._highest_v is None:
            keys = self._comparators
            self._highest_v = max((low_v for low_v, _ in keys), default=-inf)
        return min(self.line.volts, self.line.final_v) > self._highest_v

    @property
    def next_due_us(self) -> float:
        """Time of the next timer or crossing, counted from the origin; or inf."""
        self._drop_cancelled()
        due_us = self._timers[0][0] if self._timers else inf
        return min(due_us, self._next_crossing()[0])

    def run(self, until_us: float) -> None:
        """Do all that is due before ``until_us``, then move there."""
        while True:
            crossing_us, comparator = self._next_crossing()
            due_us = self._timers[0][0] if self._timers else inf
            if min(crossing_us, due_us) >= until_us:
                break
            if crossing_us < due_us and comparator is not None:
                self.now_us = max(crossing_us, self.now_us)
                self._cross(comparator)
            else:
                self.now_us = due_us
                self._fire(heappop(self._timers)[2])
        self.now_us = until_us

    def rebase(self) -> None:
        """Let time count from now."""
        by_us = self.now_us
        self.line.move_to(by_us)
        self.line.rebase(by_us, self.origin_us)
        self.origin_us += by_us
        self.now_us = 0.0
        self._drop_cancelled()
        moved = []
        for at_us, order, timer in self._timers:
            timer.at_us = at_us - by_us
            moved.append((timer.at_us, order, timer))
        heapify(moved)
        self._timers = moved

    def _cross(self, comparator: Comparator) -> None:
        self.line.move_to(self.now_us)
        comparator.is_high = not comparator.is_high
        for on_edge in list(comparator.listeners.values()):
            on_edge(comparator.is_high)

    @staticmethod
    def _fire(timer: Timer) -> None:
        if timer.action is not None:
            action, timer.action = timer.action, None
            action()

    def _next_crossing(self) -> tuple[float, Comparator | None]:
        soonest_us, which = inf, None
        for comparator in self._comparators.values():
            crossing_us = comparator.next_us(self.line)
            if crossing_us < soonest_us:
                soonest_us, which = crossing_us, comparator
        return soonest_us, which

    def _drop_cancelled(self) -> None:
        while self._timers and self._timers[0][2].action is None:
            heappop(self._timers)
