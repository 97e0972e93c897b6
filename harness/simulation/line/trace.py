"""A record of the line voltage, exact between events."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Hashable
from dataclasses import dataclass, field
from math import exp, log
from typing import Any, NamedTuple, Protocol


class Segment(NamedTuple):
    """One exponential: from ``start_v`` at ``start_us`` towards ``final_v``."""

    start_us: float
    end_us: float
    start_v: float
    end_v: float
    final_v: float
    tau_us: float
    induced_v: float

    def voltage_at(self, at_us: float) -> float:
        """Voltage that a listener sees; ``at_us`` is absolute bench time."""
        decay = exp(-(at_us - self.start_us) / self.tau_us)
        return self.final_v + (self.start_v - self.final_v) * decay + self.induced_v

    def crossing_us(self, level_v: float) -> float | None:
        """When it passes ``level_v``; None if it does not."""
        level_v -= self.induced_v
        if (self.start_v >= level_v) == (self.end_v >= level_v):
            return None
        ratio = (self.start_v - self.final_v) / (level_v - self.final_v)
        return self.start_us + self.tau_us * log(ratio)


class Pull(NamedTuple):
    """A device or the host begins to pull the line low, or releases it."""

    owner: Hashable
    at_us: float
    low: bool


@dataclass(frozen=True, slots=True, eq=False)
class LineCourse:
    """What the line did from one origin of time to the next.

    A course that repeats is the same object each time, so that a watch need not work
    it out again.

    Attributes:
        events: segments and pulls in order; times count from the origin.
        length_us: how long it lasts.
        renderings: what the watch made of it, by the watch's state before.
    """

    events: tuple[Segment | Pull, ...]
    length_us: float
    renderings: dict[Hashable, Any] = field(default_factory=dict)


class LineWatch(Protocol):
    """Records what the line does."""

    def take(self, origin_us: float, course: LineCourse) -> None:
        """What the line did next; its times count from ``origin_us`` of bench time."""
        ...


class Edge(NamedTuple):
    """The line passes a level."""

    at_us: float
    rising: bool


class Low(NamedTuple):
    """The line is below a level, from falling to rising edge."""

    start_us: float
    end_us: float

    @property
    def length_us(self) -> float:
        """Duration."""
        return self.end_us - self.start_us


@dataclass(slots=True)
class LineTrace:
    """Segments in order of time; times are absolute bench time in microseconds."""

    segments: list[Segment] = field(default_factory=list)

    def take(self, origin_us: float, course: LineCourse) -> None:
        """Append what happened next; who pulls is not kept."""
        for event in course.events:
            if isinstance(event, Segment):
                start_us, end_us = origin_us + event.start_us, origin_us + event.end_us
                self.segments.append(event._replace(start_us=start_us, end_us=end_us))

    def voltage_at(self, at_us: float) -> float:
        """Voltage at an absolute time.

        Raises:
            ValueError: that time was not recorded.
        """
        place = bisect_right(self.segments, at_us, key=lambda part: part.start_us) - 1
        if place < 0 or at_us > self.segments[place].end_us:
            raise ValueError(f"{at_us} us is outside the record")
        return self.segments[place].voltage_at(at_us)

    def edges(self, threshold_v: float) -> list[Edge]:
        """All crossings of ``threshold_v``, steps included."""
        edges: list[Edge] = []
        above: bool | None = None
        for part in self.segments:
            starts_above = part.start_v >= threshold_v - part.induced_v
            if above is not None and starts_above != above:
                edges.append(Edge(part.start_us, starts_above))
            above = starts_above
            crossing = part.crossing_us(threshold_v)
            if crossing is not None:
                above = not above
                edges.append(Edge(crossing, above))
        return edges

    def lows(self, threshold_v: float) -> list[Low]:
        """Complete times below ``threshold_v``."""
        lows: list[Low] = []
        fell_us: float | None = None
        for edge in self.edges(threshold_v):
            if not edge.rising:
                fell_us = edge.at_us
            elif fell_us is not None:
                lows.append(Low(fell_us, edge.at_us))
                fell_us = None
        return lows
