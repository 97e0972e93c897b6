"""Values of one quantity, in bounded memory: a histogram, sums, and the worst instants."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from harness.recordings.record.quantity import (
    Instant,
    JudgedQuantity,
    LimitStanding,
    QuantityRow,
)

MOST_INSTANTS = 1000
_MOST_BINS = 1 << 19
_MOST_SHOWN = 1000
_ROUNDING = 1e-9
_FINEST_BIN = 0.005
"""In the unit of the quantity: 5 ns for times in us."""


class QuantityTally:
    """Takes values, many at a time, and judges them at the end.

    Args:
        row: the quantity.
        tick: distance that values can differ by, in the row's unit; 0 if any.

    Attributes:
        nearest_at_s: instant of the value nearest to a limit, or farthest beyond it;
            of a quantity without limits that of the smallest value.
    """

    def __init__(self, row: QuantityRow, tick: float) -> None:
        self.row = row
        self._bin = tick * max(1, round(_FINEST_BIN / tick)) if tick else _FINEST_BIN
        self._counts = np.zeros(0, np.int64)
        self._beyond: list[float] = []
        self._count = 0
        self._shift = 0.0
        self._sum = 0.0
        self._squares = 0.0
        self._min, self._max = math.inf, -math.inf
        self._worst_at = np.empty(0)
        self._worst = np.empty(0)
        self._nearest = math.inf
        self._nearest_value = math.nan
        self.nearest_at_s = math.nan

    def feed(self, values: NDArray[np.float64], at_s: NDArray[np.float64]) -> None:
        """Takes values and their times in seconds."""
        if not len(values):
            return
        if not self._count:
            self._shift = float(values[0])
        self._count += len(values)
        shifted = values - self._shift
        self._sum += float(shifted.sum())
        self._squares += float(np.square(shifted).sum())
        self._min = min(self._min, float(values.min()))
        self._max = max(self._max, float(values.max()))
        index = np.minimum(np.rint(values / self._bin), _MOST_BINS).astype(np.int64)
        counts = np.bincount(np.maximum(index, 0), minlength=len(self._counts))
        counts[: len(self._counts)] += self._counts
        self._counts = counts
        self._keep_worst(values, at_s)
        self._keep_nearest(values, at_s)

    def _beyond_limit(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far values lie beyond the loosest limit; negative inside."""
        low, high = self.row.loosest_low, self.row.loosest_high
        beyond = np.full(len(values), -math.inf)
        if low is not None:
            beyond = np.maximum(beyond, low - values)
        if high is not None:
            beyond = np.maximum(beyond, values - high)
        return beyond

    def _keep_worst(
        self, values: NDArray[np.float64], at_s: NDArray[np.float64]
    ) -> None:
        beyond = self._beyond_limit(values)
        out = beyond > 0
        if not out.any():
            return
        worst = np.concatenate((self._worst, values[out]))
        at = np.concatenate((self._worst_at, at_s[out]))
        if len(worst) > MOST_INSTANTS:
            # the earliest of equals is kept
            order = np.argsort(-self._beyond_limit(worst), kind="stable")
            worst, at = worst[order[:MOST_INSTANTS]], at[order[:MOST_INSTANTS]]
        self._worst, self._worst_at = worst, at

    def _keep_nearest(
        self, values: NDArray[np.float64], at_s: NDArray[np.float64]
    ) -> None:
        low, high = self.row.loosest_low, self.row.loosest_high
        margins = [values - low] if low is not None else []
        margins += [high - values] if high is not None else []
        margin = np.minimum.reduce(margins) if margins else values
        at = int(margin.argmin())
        if float(margin[at]) < self._nearest:
            self._nearest, self.nearest_at_s = float(margin[at]), float(at_s[at])
            self._nearest_value = float(values[at])

    @property
    def nearest(self) -> float:
        """The value nearest to a limit, or farthest beyond it."""
        return self._nearest_value

    def judge(self, doubt: float) -> JudgedQuantity | None:
        """The verdict; None without values.

        Args:
            doubt: half width of what is known of each value, in the row's unit.
        """
        if not self._count:
            return None
        indices = np.flatnonzero(self._counts)
        counts = self._counts[indices]
        values = np.asarray(indices * self._bin, np.float64)
        beyond = self._beyond_limit(values)
        # a value of k samples lies between k - 1 and k + 1 of them, ends left out
        out = beyond >= _outside_from(doubt)
        outside = int(counts[out].sum())
        doubtful = int(counts[~out & (beyond > _ROUNDING - doubt)].sum())
        cautious = (self.row.low, self.row.high)
        some = self._some_only(values, counts, cautious, doubt)
        middle = int(np.searchsorted(np.cumsum(counts), (self._count + 1) // 2))
        return JudgedQuantity(
            row=self.row,
            count=self._count,
            minimum=self._min,
            median=min(max(float(values[middle]), self._min), self._max),
            maximum=self._max,
            deviation=self._deviation(),
            doubt=doubt,
            margin=self._margin(),
            outside=outside,
            doubtful=doubtful,
            some_only=some,
            standing=self._standing(outside, doubtful, some),
            worst=self._instants(doubt),
            bins=_shown_bins(values, counts),
        )

    def _some_only(
        self,
        values: NDArray[np.float64],
        counts: NDArray[np.int64],
        cautious: tuple[float | None, float | None],
        doubt: float,
    ) -> int:
        low, high = cautious
        short = np.zeros(len(values), np.bool_)
        if low is not None:
            short |= low - values >= _outside_from(doubt)
        if high is not None:
            short |= values - high >= _outside_from(doubt)
        return int(
            counts[short & (self._beyond_limit(values) <= _ROUNDING - doubt)].sum()
        )

    def _deviation(self) -> float | None:
        if self._count < 2:
            return None
        spread = self._squares - self._sum * self._sum / self._count
        return math.sqrt(max(0.0, spread) / (self._count - 1))

    def _margin(self) -> float | None:
        low, high = self.row.loosest_low, self.row.loosest_high
        gaps = []
        if low is not None:
            gaps.append(self._min - low)
        if high is not None:
            gaps.append(high - self._max)
        return min(gaps, default=None)

    def _standing(self, outside: int, doubtful: int, some: int) -> LimitStanding:
        row = self.row
        if row.loosest_low is None and row.loosest_high is None:
            return LimitStanding.NO_LIMIT
        if outside:
            return LimitStanding.OUTSIDE
        if doubtful:
            return LimitStanding.CANNOT_TELL
        return LimitStanding.SOME_DEVICES if some else LimitStanding.WITHIN

    def _instants(self, doubt: float) -> tuple[Instant, ...]:
        beyond = self._beyond_limit(self._worst)
        order = np.argsort(-beyond, kind="stable")
        order = order[beyond[order] >= _outside_from(doubt)]
        return tuple(
            Instant(at_s=float(self._worst_at[i]), value=float(self._worst[i]))
            for i in order[:MOST_INSTANTS]
        )


def _outside_from(doubt: float) -> float:
    """How far beyond a limit a value is surely outside: the limit belongs to its range."""
    return doubt - _ROUNDING if doubt else _ROUNDING


def _shown_bins(
    values: NDArray[np.float64], counts: NDArray[np.int64]
) -> tuple[tuple[float, int], ...]:
    """A histogram with a bounded number of bins: neighbours are put together."""
    if len(values) > _MOST_SHOWN:
        step = -(-len(values) // _MOST_SHOWN)
        begins = np.arange(0, len(values), step)
        values, counts = values[begins], np.add.reduceat(counts, begins)
    return tuple(zip(values.tolist(), counts.tolist(), strict=True))
