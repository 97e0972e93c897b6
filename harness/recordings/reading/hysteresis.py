"""Volts to levels: the two main levels, thresholds with hysteresis, rise times."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.recordings.reading.chunks import HIGH, LOW, Levels, Ticks
from harness.recordings.record.shown import AnalogFacts

LOW_SHARE, HIGH_SHARE = 0.3, 0.7
"""Thresholds between the main levels where none are given (30 % and 70 %, the levels of
logic families at half supply; common practice of instruments, no single source)."""

_BINS = 400
_APART = 0.25
"""The low level lies this share of the whole swing from the main one, at least."""
_LEAST_SAMPLES = 20
_MOST_KEPT = 1_000_000
_MOST_RISES = 10_000
_MOST_WORTH_V = 0.05
"""Less of a swing than this, in volts, is noise on a line that never changes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Thresholds:
    """Levels in volts: low from ``falls_below_v`` down, high from ``rises_above_v`` up."""

    falls_below_v: float
    rises_above_v: float
    low_v: float = float("nan")
    high_v: float = float("nan")
    from_fixture: bool = False

    def facts(self) -> AnalogFacts:
        """As a reader shows them."""
        return AnalogFacts(
            low_v=self.low_v,
            high_v=self.high_v,
            falls_below_v=self.falls_below_v,
            rises_above_v=self.rises_above_v,
            from_fixture=self.from_fixture,
        )


class LevelFinder:
    """Finds the two main levels as modes of a histogram, weighted by time.

    The voltage that the line has for the longest time is one. The other is the one with
    the most time on the side of it that a bus has: below it, and only where nothing is
    there above it. So neither a programming pulse of 12 V nor overshoot is taken for the
    high level, nor, where a recording has a value for each change, one that all edges
    pass through.
    """

    def __init__(self) -> None:
        self._kept: list[NDArray[np.float64]] = []
        self._times: list[NDArray[np.float64]] = []
        self._count = 0

    def feed(self, times: Ticks, volts: NDArray[np.float64]) -> bool:
        """Takes samples; True once both levels are known and no more are needed."""
        room = _MOST_KEPT - self._count
        if room <= 0:
            # idle so far: a thinned memory of it is enough
            self._kept = [np.concatenate(self._kept)[::8]]
            self._times = [np.concatenate(self._times)[::8]]
            self._count = len(self._kept[0])
            room = _MOST_KEPT - self._count
        step = max(1, -(-len(volts) // room))
        self._kept.append(volts[::step])
        self._times.append(np.asarray(times[::step], np.float64))
        self._count += len(self._kept[-1])
        return self.thresholds() is not None

    def thresholds(self) -> Thresholds | None:
        """Thresholds between the levels; None while there are no two levels."""
        if not self._kept:
            return None
        volts, times = np.concatenate(self._kept), np.concatenate(self._times)
        if len(volts) < 2:
            return None
        # each value lasts until the next one
        lasted = np.append(np.diff(times), 0.0)
        known = np.isfinite(volts)
        volts, lasted = volts[known], np.maximum(lasted[known], 0.0)
        levels = _two_modes(volts, lasted) if len(volts) > 1 else None
        if levels is None:
            return None
        low, high = levels
        swing = high - low
        return Thresholds(
            falls_below_v=low + LOW_SHARE * swing,
            rises_above_v=low + HIGH_SHARE * swing,
            low_v=low,
            high_v=high,
        )


def _two_modes(
    volts: NDArray[np.float64], lasted: NDArray[np.float64]
) -> tuple[float, float] | None:
    lowest, highest = float(volts.min()), float(volts.max())
    if highest - lowest < _MOST_WORTH_V:
        return None
    counts, edges = np.histogram(volts, _BINS, (lowest, highest))
    spans, _ = np.histogram(volts, _BINS, (lowest, highest), weights=lasted)
    number = np.convolve(counts, np.ones(5), "same")
    smooth = np.convolve(spans, np.ones(5), "same")
    centre = (edges[:-1] + edges[1:]) / 2
    main = float(centre[int(smooth.argmax())])
    apart = _APART * (main - lowest)
    is_below = centre < main - apart
    least = min(_LEAST_SAMPLES, max(2, len(volts) // 50))
    enough = number[is_below].sum() >= least
    if main - lowest > _APART * (highest - lowest) * 0.5 and enough:
        other = float(centre[int(np.where(is_below, smooth, -1.0).argmax())])
    else:
        is_above = centre > main + _APART * (highest - main)
        if number[is_above].sum() < least:
            return None
        other = float(centre[int(np.where(is_above, smooth, -1.0).argmax())])
    width = 3 * (edges[1] - edges[0])
    near = [_near(volts, lasted, level, width) for level in (main, other)]
    low, high = sorted(near)
    return (low, high) if high - low >= _MOST_WORTH_V else None


def _near(
    volts: NDArray[np.float64], lasted: NDArray[np.float64], level: float, width: float
) -> float:
    """The median over time of what lies near to a level."""
    chosen = np.abs(volts - level) <= width
    order = np.argsort(volts[chosen], kind="stable")
    found, total = volts[chosen][order], np.cumsum(lasted[chosen][order])
    return float(found[int(np.searchsorted(total, total[-1] / 2))])


class Hysteresis:
    """Samples in volts to edges; keeps its state from chunk to chunk.

    Args:
        thresholds: in volts.
        tick_s: length of a tick in seconds.
        rises_s: where rise times go: time of the edge and its duration, in seconds.
    """

    def __init__(
        self, thresholds: Thresholds, tick_s: float, rises_s: list[tuple[float, float]]
    ) -> None:
        self._thresholds = thresholds
        self._tick_s = tick_s
        self._rises = rises_s
        self._level = -1
        self._last: tuple[int, float] | None = None

    def feed(self, times: Ticks, volts: NDArray[np.float64]) -> tuple[Ticks, Levels]:
        """Edges: the time of the first sample beyond a threshold, and the new level.

        Samples between the thresholds keep the level before them.
        """
        if not len(times):
            return times, np.empty(0, np.int8)
        low = volts <= self._thresholds.falls_below_v
        high = volts >= self._thresholds.rises_above_v
        clear = np.flatnonzero(low | high)
        if not len(clear):
            return times[:0], np.empty(0, np.int8)
        levels = np.where(high[clear], HIGH, LOW).astype(np.int8)
        turned = np.empty(len(clear), np.bool_)
        turned[0] = levels[0] != self._level
        np.not_equal(levels[1:], levels[:-1], out=turned[1:])
        edges = np.flatnonzero(turned)
        self._note_rises(times, volts, clear, edges, levels)
        self._level = int(levels[-1])
        at = clear[edges]
        return times[at], levels[edges]

    def _note_rises(
        self,
        times: Ticks,
        volts: NDArray[np.float64],
        clear: NDArray[np.int64],
        edges: NDArray[np.int64],
        levels: Levels,
    ) -> None:
        """Times from the last low sample to the first high one, interpolated."""
        rising = edges[(levels[edges] == HIGH) & (edges > 0)]
        room = _MOST_RISES - len(self._rises)
        rising = rising[: max(0, room)]
        if not len(rising):
            return
        before, after = clear[rising - 1], clear[rising]
        begins = _crossing(times, volts, before, self._thresholds.falls_below_v)
        ends = _crossing(times, volts, after - 1, self._thresholds.rises_above_v)
        spans = (ends - begins) * self._tick_s
        stamps = times[after] * self._tick_s
        self._rises.extend(zip(stamps.tolist(), spans.tolist(), strict=True))


def _crossing(
    times: Ticks, volts: NDArray[np.float64], index: NDArray[np.int64], level: float
) -> NDArray[np.float64]:
    """Where the straight line from a sample to the next crosses a level, in ticks."""
    step = volts[index + 1] - volts[index]
    share = np.where(step != 0, (level - volts[index]) / np.where(step, step, 1), 0.0)
    gap = times[index + 1] - times[index]
    return np.asarray(times[index] + np.clip(share, 0, 1) * gap, np.float64)
