"""The two levels between which a line in volts changes, from its samples alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.recordings.reading.chunks import Ticks, Volts
from harness.recordings.record.shown import AnalogFacts
from harness.wire.limits import STANDARD

LOW_SHARE, HIGH_SHARE = 0.3, 0.7
"""Thresholds between the main levels where none are given (30 % and 70 %, the levels of
logic families at half supply; common practice of instruments, no single source)."""

_BINS = 400
_APART = 0.25
"""The low level lies this share of the whole swing from the main one, at least."""
_MODES_APART = 0.1
"""Voltages nearer than this share of the whole range are one level with its noise."""
_MOST_MODES = 8
_LEAST_SAMPLES = 20
_MOST_KEPT = 1_000_000
_MOST_WORTH_V = 0.05
"""Less of a swing than this, in volts, is noise on a line that never changes."""

_MOST_STAY_US = STANDARD.write_0_low.high_us or 120.0
"""A stay counts no more than the longest slot: levels are what the line changes between,
not what it rests at."""
_SURE_SWING = 0.5
"""Share of the high level that the swing of a bus with a sound low level exceeds: less
may be the noise of an idle line, and the rest of the file decides."""
_LEAST_VISITS = 10
"""Stays at the lower level from which on no more samples are needed: a ROM command of a
host has as many lows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Thresholds:
    """Levels in volts: low from ``falls_below_v`` down, high from ``rises_above_v`` up.

    ``step_v``: the smallest difference between two samples, 0 if not known.
    ``window_v``: the levels between which a receiver may take the line either way.
    """

    falls_below_v: float
    rises_above_v: float
    low_v: float = float("nan")
    high_v: float = float("nan")
    step_v: float = 0.0
    from_fixture: bool = False
    from_receiver: bool = False
    window_v: tuple[float, float] | None = None

    def facts(self) -> AnalogFacts:
        """As a reader shows them."""
        return AnalogFacts(
            low_v=self.low_v,
            high_v=self.high_v,
            falls_below_v=self.falls_below_v,
            rises_above_v=self.rises_above_v,
            step_v=self.step_v,
            from_fixture=self.from_fixture,
            from_receiver=self.from_receiver,
        )


class LevelFinder:
    """Finds the two main levels as modes of a histogram, weighted by time.

    The voltage that the line has for the longest time is one, where each stay counts for
    a slot at most. The other is the one with the most time on the side of it that a bus
    has: below it, and only where nothing is there above it. So neither a programming
    pulse of 12 V, however long, nor overshoot is taken for the high level, nor, where a
    recording has a value for each change, one that all edges pass through.

    Args:
        tick_s: length of a tick in seconds.
    """

    def __init__(self, tick_s: float) -> None:
        self._most_stay = _MOST_STAY_US * 1e-6 / tick_s
        self._kept: list[Volts] = []
        self._times: list[NDArray[np.float64]] = []
        self._count = 0

    def feed(self, times: Ticks, volts: Volts) -> bool:
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
        found = self.thresholds()
        if found is None:
            return False
        is_sure = found.high_v - found.low_v >= _SURE_SWING * abs(found.high_v)
        return is_sure and self._visits(found) >= _LEAST_VISITS

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
        if len(volts) < 2:
            return None
        lasted = _short_stays(volts, lasted, self._most_stay)
        levels = _two_modes(volts, lasted)
        if levels is None:
            return None
        low, high = levels
        swing = high - low
        if not _is_parted(volts, lasted, low, swing):
            return None
        return Thresholds(
            falls_below_v=low + LOW_SHARE * swing,
            rises_above_v=low + HIGH_SHARE * swing,
            low_v=low,
            high_v=high,
            step_v=_smallest_step(volts),
        )

    def _visits(self, found: Thresholds) -> int:
        """How often the line went down to the lower level."""
        low = np.concatenate(self._kept) <= found.falls_below_v
        return int(np.count_nonzero(low[1:] & ~low[:-1]))


def _smallest_step(volts: Volts) -> float:
    """The recorder's resolution; of two values alone nothing is known."""
    steps = np.diff(np.unique(volts))
    return float(steps.min()) if len(steps) > 1 else 0.0


def _short_stays(
    volts: Volts, lasted: NDArray[np.float64], most: float
) -> NDArray[np.float64]:
    """The durations, where no stay at a level counts for more than ``most``."""
    modes = _modes(volts, lasted)
    level = np.searchsorted((modes[1:] + modes[:-1]) / 2, volts)
    begins = np.flatnonzero(np.concatenate(([True], level[1:] != level[:-1])))
    stays = np.add.reduceat(lasted, begins)
    share = np.minimum(1.0, most / np.maximum(stays, most))
    of_each = np.repeat(share, np.diff(np.append(begins, len(volts))))
    return np.asarray(lasted * of_each, np.float64)


def _modes(volts: Volts, lasted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Voltages that the line has for long, ascending."""
    lowest, highest = float(volts.min()), float(volts.max())
    spans, edges = np.histogram(
        volts, _BINS, (lowest, max(highest, lowest + 1e-9)), weights=lasted
    )
    smooth = np.convolve(spans, np.ones(5), "same")
    centre = (edges[:-1] + edges[1:]) / 2
    found: list[float] = []
    while len(found) < _MOST_MODES and smooth.any():
        level = float(centre[int(smooth.argmax())])
        found.append(level)
        smooth[np.abs(centre - level) <= _MODES_APART * (highest - lowest)] = 0.0
    return np.sort(np.array(found))


def _two_modes(volts: Volts, lasted: NDArray[np.float64]) -> tuple[float, float] | None:
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


def _is_parted(
    volts: Volts, lasted: NDArray[np.float64], low: float, swing: float
) -> bool:
    """True if the line spends less time in the middle than at the lower level.

    Noise around one level has more values the nearer to it. Compared are two thirds of
    the swing: the middle one, and one around the lower level.
    """
    share = (volts - low) / swing
    at_low = lasted[np.abs(share) <= 1 / 6].sum()
    between = lasted[np.abs(share - 1 / 2) <= 1 / 6].sum()
    return bool(between < at_low)


def _near(
    volts: Volts, lasted: NDArray[np.float64], level: float, width: float
) -> float:
    """The median over time of what lies near to a level."""
    chosen = np.abs(volts - level) <= width
    order = np.argsort(volts[chosen], kind="stable")
    found, total = volts[chosen][order], np.cumsum(lasted[chosen][order])
    return float(found[int(np.searchsorted(total, total[-1] / 2))])
