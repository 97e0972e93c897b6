"""Finding one edge on a ladder of probe points, with few probes.

A probe measures, at a point x in microseconds, how often the later of two states was
seen. Bisection finds the two neighbouring rungs between which it goes from less to
more than half, so an edge costs a logarithmic number of probes. Where jitter blurs
the edge, its width is found by two more bisections, for nearly never and nearly
always.

Each rung is an interval, not a point: the receiver's grid and the clock make the
sample come anywhere inside it. The edge lies between the early end of the last rung
that saw it as still to come and the late end of the first that saw it done.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import inf
from typing import Generic, TypeVar

RungT = TypeVar("RungT", bound="Rung")


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """One achievable probe point.

    Attributes:
        early_us: the earliest instant that the probe may mean.
        late_us: the latest.
    """

    early_us: float
    late_us: float

    @property
    def middle_us(self) -> float:
        """The best guess."""
        return (self.early_us + self.late_us) / 2


class Reach(StrEnum):
    """Where the edge lies against the ladder."""

    INSIDE = "inside"
    BELOW = "below"
    ABOVE = "above"


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredEdge:
    """An edge, found or bounded.

    Attributes:
        value_us: 50 % point; for an edge outside the ladder, the end it lies beyond.
        half_width_us: the true value lies within ``value_us`` +- this.
        blur_us: from nearly never to nearly always; 0 where no trial disagreed.
        reach: inside the ladder, or below or above all of it.
        probes: probe points visited.
        trials: single trials at all of them.
    """

    value_us: float
    half_width_us: float
    blur_us: float = 0.0
    reach: Reach = Reach.INSIDE
    probes: int = 0
    trials: int = 0

    @property
    def interval_us(self) -> tuple[float, float]:
        """Where the true edge lies: from 0 or to infinity where it is only bounded."""
        early_us = self.value_us - self.half_width_us
        late_us = self.value_us + self.half_width_us
        return (
            0.0 if self.reach is Reach.BELOW else early_us,
            inf if self.reach is Reach.ABOVE else late_us,
        )

    def moved(self, by_us: float, *, more_half_width_us: float = 0.0) -> MeasuredEdge:
        """The same edge after a correction that is itself uncertain."""
        return MeasuredEdge(
            value_us=self.value_us + by_us,
            half_width_us=self.half_width_us + more_half_width_us,
            blur_us=self.blur_us,
            reach=self.reach,
            probes=self.probes,
            trials=self.trials,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class NotMeasurable:
    """No probe point of the adapter can show the edge; nothing was found, or tried.

    Attributes:
        reason: what is missing, one clause.
    """

    reason: str

    @property
    def text(self) -> str:
        """For messages."""
        return f"not measurable with this adapter: {self.reason}"


Found = MeasuredEdge | NotMeasurable
"""What a search for an edge comes back with."""

Probe = Callable[[RungT], tuple[int, int]]
"""Asks at a rung: (how often the later state was seen, how many trials)."""


class Bracket(Generic[RungT]):
    """One search for an edge.

    Args:
        ladder: rungs in rising order. One alone can only bound the edge, from below or
            from above; with none it is not measurable.
        probe: see ``Probe``; the share of the later state must not fall along the
            ladder but for noise.
        lacking: why a ladder may be empty, for ``NotMeasurable``.
    """

    def __init__(
        self, ladder: Sequence[RungT], probe: Probe[RungT], *, lacking: str = ""
    ) -> None:
        self._ladder = ladder
        self._probe = probe
        self._lacking = lacking or "it makes no frame in that range"
        self._shares: dict[int, float] = {}
        self._trials = 0

    def find(self) -> Found:
        """The edge, to the resolution of the ladder."""
        if not self._ladder:
            return NotMeasurable(reason=self._lacking)
        last = len(self._ladder) - 1
        if self._share(0) > 0.5:
            return self._bound(self._ladder[0], Reach.BELOW)
        if self._share(last) <= 0.5:
            return self._bound(self._ladder[last], Reach.ABOVE)
        below, above = self._between(0.5)
        early_us = self._ladder[below].early_us
        late_us = self._ladder[above].late_us
        blur_us = self._blur(below, above)
        return MeasuredEdge(
            value_us=(early_us + late_us) / 2,
            half_width_us=(late_us - early_us) / 2,
            blur_us=blur_us,
            probes=len(self._shares),
            trials=self._trials,
        )

    def _between(self, level: float) -> tuple[int, int]:
        """Neighbouring rungs at or below ``level`` and above it."""
        low, high = 0, len(self._ladder) - 1
        while high - low > 1:
            middle = (low + high) // 2
            if self._share(middle) > level:
                high = middle
            else:
                low = middle
        return low, high

    def _blur(self, below: int, above: int) -> float:
        """Width of the region in which trials disagree."""
        if self._share(below) == 0 and self._share(above) == 1:
            return 0.0
        first = self._between(0.05)[0]
        last = self._between(0.95)[1]
        return self._ladder[last].middle_us - self._ladder[first].middle_us

    def _bound(self, rung: RungT, reach: Reach) -> MeasuredEdge:
        return MeasuredEdge(
            value_us=rung.late_us if reach is Reach.BELOW else rung.early_us,
            half_width_us=0.0,
            reach=reach,
            probes=len(self._shares),
            trials=self._trials,
        )

    def _share(self, index: int) -> float:
        if index not in self._shares:
            seen, tried = self._probe(self._ladder[index])
            self._shares[index] = seen / tried
            self._trials += tried
        return self._shares[index]
