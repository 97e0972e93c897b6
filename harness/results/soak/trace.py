"""A value over hours in memory that does not grow: bins of time that double in width."""

from __future__ import annotations

from dataclasses import dataclass

MOST_BINS = 512
"""So many at most; then neighbours are put together and each bin is twice as wide."""


@dataclass(slots=True, kw_only=True)
class Bin:
    """Readings of one stretch of time.

    Attributes:
        at_s: middle of its readings, seconds.
        count: readings.
        total: their sum.
        lowest: smallest of them.
        highest: largest of them.
        part: between which cuts of the run they lie, from 0.
    """

    at_s: float
    count: int
    total: float
    lowest: float
    highest: float
    part: int = 0

    @property
    def mean(self) -> float:
        """Mean of its readings."""
        return self.total / self.count

    def with_next(self, later: Bin) -> Bin:
        """Both together."""
        count = self.count + later.count
        return Bin(
            at_s=(self.at_s * self.count + later.at_s * later.count) / count,
            count=count,
            total=self.total + later.total,
            lowest=min(self.lowest, later.lowest),
            highest=max(self.highest, later.highest),
            part=self.part,
        )


class ValueTrace:
    """One value over time."""

    def __init__(self) -> None:
        self._bins: list[Bin] = []
        self._lines_per_bin = 1
        self._in_last = 0
        self._part = 0

    def begin_part(self) -> None:
        """What follows comes after a cut: no bin holds readings of both sides."""
        self._part += 1
        self._in_last = self._lines_per_bin

    def take(
        self,
        at_s: float,
        mean: float,
        *,
        count: int = 1,
        lowest: float | None = None,
        highest: float | None = None,
    ) -> None:
        """Readings of about one moment.

        Args:
            at_s: when, seconds.
            mean: their mean.
            count: how many.
            lowest: smallest; the mean unless given.
            highest: largest; the mean unless given.
        """
        new = Bin(
            at_s=at_s,
            count=count,
            total=mean * count,
            lowest=mean if lowest is None else lowest,
            highest=mean if highest is None else highest,
            part=self._part,
        )
        if self._bins and self._in_last < self._lines_per_bin:
            self._bins[-1] = self._bins[-1].with_next(new)
            self._in_last += 1
            return
        if len(self._bins) >= MOST_BINS:
            self._bins = _paired(self._bins)
            self._lines_per_bin *= 2
        self._bins.append(new)
        self._in_last = 1

    @property
    def bins(self) -> tuple[Bin, ...]:
        """All bins, the earliest first."""
        return tuple(self._bins)


def _paired(bins: list[Bin]) -> list[Bin]:
    """Neighbours put together two by two, those of different parts apart."""
    paired: list[Bin] = []
    index = 0
    while index < len(bins):
        first = bins[index]
        both = index + 1 < len(bins) and bins[index + 1].part == first.part
        paired.append(first.with_next(bins[index + 1]) if both else first)
        index += 2 if both else 1
    return paired
