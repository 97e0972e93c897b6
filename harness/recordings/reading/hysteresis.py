"""Volts to levels with hysteresis, and what volts show besides: edges and plateaus."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.recordings.reading.chunks import (
    HIGH,
    LOW,
    UNKNOWN,
    EdgeSpans,
    LevelChunk,
    Levels,
    Ticks,
    Volts,
)
from harness.recordings.reading.main_levels import Thresholds
from harness.recordings.reading.window import WindowWatch

_MOST_CARRIED = 1 << 16
"""Samples of an unfinished stretch that are kept for its end, for bounded memory."""

_SLOWER = 2
"""So much longer than an edge has taken between its thresholds the next sample may be
away: an exponential takes 1.3 times as long from 70 to 90 % as from 30 to 70 %."""

Indices = NDArray[np.int64]

_NO_TICKS = np.empty(0, np.int64)


class _Turns(NamedTuple):
    """Samples beyond a threshold, and which of them turn the level.

    ``edges`` are indices in ``clear`` and ``levels``, these in ``times`` and ``volts``.
    """

    times: Ticks
    volts: Volts
    clear: Indices
    levels: Levels
    edges: Indices


class Hysteresis:
    """Samples in volts to edges; keeps its state from chunk to chunk.

    Args:
        thresholds: in volts.
        tick_s: length of a tick in seconds.
    """

    def __init__(self, thresholds: Thresholds, tick_s: float) -> None:
        self._thresholds = thresholds
        self._tick_s = tick_s
        self._level = -1
        self._times = _NO_TICKS
        self._volts = np.empty(0)
        window_v = thresholds.window_v
        self._window = WindowWatch(*window_v) if window_v else None

    def feed(self, times: Ticks, volts: Volts, end: int) -> LevelChunk:
        """Edges: when each passed its second threshold, and the new level.

        That is the time of the first sample beyond it, or, where a sample lies between
        the thresholds, interpolated from there. Samples between the thresholds keep the level before them; one that is no number
        makes it unknown.

        Args:
            times: of the samples.
            volts: of the samples.
            end: tick up to which the last sample is known to last.
        """
        between = self._window.feed(times, volts) if self._window else None
        times = np.concatenate((self._times, times))
        volts = np.concatenate((self._volts, volts))
        low = volts <= self._thresholds.falls_below_v
        high = volts >= self._thresholds.rises_above_v
        unknown = np.isnan(volts)
        clear = np.flatnonzero(low | high | unknown)
        if not len(clear):
            self._carry(times, volts, 0)
            no_levels = np.empty(0, np.int8)
            return LevelChunk(
                times=_NO_TICKS, levels=no_levels, end=end, between=between
            )
        levels = np.where(high[clear], HIGH, LOW).astype(np.int8)
        levels[unknown[clear]] = UNKNOWN
        turned = np.empty(len(clear), np.bool_)
        turned[0] = levels[0] != self._level
        np.not_equal(levels[1:], levels[:-1], out=turned[1:])
        edges = np.flatnonzero(turned)
        found = _Turns(times, volts, clear, levels, edges)
        self._level = int(levels[-1])
        self._carry(times, volts, int(clear[edges[-1]]) if len(edges) else 0)
        return LevelChunk(
            times=self._edge_times(found),
            levels=levels[edges],
            end=end,
            before_v=_plateaus(found),
            rises=self._spans(found, HIGH),
            falls=self._spans(found, LOW),
            between=between,
        )

    def _carry(self, times: Ticks, volts: Volts, begin: int) -> None:
        begin = max(begin, len(times) - _MOST_CARRIED)
        self._times, self._volts = times[begin:], volts[begin:]

    def _edge_times(self, found: _Turns) -> Ticks:
        times, volts, clear, edges = found.times, found.volts, found.clear, found.edges
        at = clear[edges]
        edge_times = times[at]
        ahead = np.maximum(at - 1, 0)
        before = clear[np.maximum(edges - 1, 0)]
        # a value that holds until it changes shows no slope: there the gap is long
        so_far = times[ahead] - times[before]
        sloping = (ahead > before) & (times[at] - times[ahead] <= _SLOWER * so_far)
        rising = found.levels[edges] == HIGH
        for level, towards_v in (
            (rising, self._thresholds.rises_above_v),
            (~rising, self._thresholds.falls_below_v),
        ):
            chosen = np.flatnonzero(sloping & level & np.isfinite(volts[at]))
            crossed = _crossing(found, ahead[chosen], towards_v)
            edge_times[chosen] = np.rint(crossed).astype(np.int64)
        return edge_times

    def _spans(self, found: _Turns, towards: int) -> EdgeSpans:
        """Times from one threshold to the other, interpolated, and when they ended."""
        levels, clear = found.levels, found.clear
        chosen = found.edges[(levels[found.edges] == towards) & (found.edges > 0)]
        chosen = chosen[levels[chosen - 1] == 1 - towards]
        first_v = self._thresholds.falls_below_v
        last_v = self._thresholds.rises_above_v
        if towards == LOW:
            first_v, last_v = last_v, first_v
        begins = _crossing(found, clear[chosen - 1], first_v)
        ends = _crossing(found, clear[chosen] - 1, last_v)
        return EdgeSpans(
            at_s=found.times[clear[chosen]] * self._tick_s,
            spans_s=(ends - begins) * self._tick_s,
        )


def _plateaus(found: _Turns) -> Volts:
    """The voltage of the stretch that each edge ends; not a number for the first.

    It is taken in the middle of the stretch in time, where edges and ringing are
    farthest: the median of three samples there.
    """
    times, volts, clear, edges = found.times, found.volts, found.clear, found.edges
    if not len(edges):
        return np.empty(0)
    ends = clear[np.maximum(edges - 1, 0)]
    begins = np.concatenate(([0], clear[edges[:-1]]))
    middle = times[begins] + (times[ends] - times[begins]) // 2
    index = np.searchsorted(times, middle, "right") - 1
    around = np.clip(index + np.array([[-1], [0], [1]]), begins, ends)
    plateau = np.asarray(np.median(volts[around], axis=0), np.float64)
    if edges[0] == 0:
        plateau[0] = np.nan
    return plateau


def _crossing(found: _Turns, index: Indices, level: float) -> NDArray[np.float64]:
    """Where the straight line from a sample to the next crosses a level, in ticks."""
    times, volts = found.times, found.volts
    here, following = volts[index], volts[index + 1]
    # a clipped sample has no number: the crossing is then as late as it can be
    step = np.where(np.isfinite(here) & np.isfinite(following), following - here, 0.0)
    share = np.where(step != 0, (level - here) / np.where(step, step, 1), 1.0)
    gap = times[index + 1] - times[index]
    return np.asarray(times[index] + np.clip(share, 0, 1) * gap, np.float64)
