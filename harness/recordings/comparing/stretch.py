"""A stretch of a recording as the receiver of the host took it: lows, and what is open."""

from __future__ import annotations

from bisect import bisect_left, bisect_right

import numpy as np
from numpy.typing import NDArray

from harness.recordings.comparing.alignment import Times
from harness.recordings.comparing.receiver import ReceiverView


class Stretch:
    """The lows from one to another.

    A high that turned back between the receiver's levels is none in the recording: the
    low goes on. But the host let go there and pulled again, so its next character may
    begin there: the low is taken as two, and the bits between them are open.

    Args:
        view: the recording.
        begin: index of the first low.
        beyond: index beyond the last one.

    Attributes:
        starts: beginnings of the lows.
        ends: their ends.
        doubt_us: half width of what is known of each.
    """

    def __init__(self, view: ReceiverView, begin: int, beyond: int) -> None:
        starts, ends = view.starts_us[begin:beyond], view.ends_us[begin:beyond]
        self.doubt_us = view.doubt_us
        between = _within(view.between_us, starts, ends)
        humps = _humps(between, starts, ends)
        falls = np.concatenate((starts, between[1][humps]))
        order = np.argsort(falls, kind="stable")
        rises = np.sort(np.concatenate((ends, between[0][humps])))
        # lists: each bit of each character looks one time up in them
        self._between = (between[0].tolist(), between[1].tolist())
        self.starts: list[float] = falls[order].tolist()
        self.ends: list[float] = rises.tolist()
        self._is_open: list[bool] = (order >= len(starts)).tolist()
        self._edges: list[float] = np.sort(np.concatenate((starts, ends))).tolist()

    def next_fall(self, from_us: float, within_us: float) -> int | None:
        """Index of the low with which a character from ``from_us`` on begins.

        Behind a high that is open only where none that is sure begins ``within_us``.
        """
        first = bisect_right(self.starts, from_us)
        if first == len(self.starts):
            return None
        index = first
        while index < len(self.starts) and self._is_open[index]:
            index += 1
        if index < len(self.starts) and self.starts[index] <= from_us + within_us:
            return index
        return first

    def level(self, at_us: float) -> int:
        """0 or 1."""
        index = bisect_right(self.starts, at_us) - 1
        return 0 if index >= 0 and at_us < self.ends[index] else 1

    def is_open(self, at_us: float, near_us: float) -> bool:
        """True if the line was, or changed, within ``near_us`` between the levels."""
        index = bisect_left(self._edges, at_us)
        if index and at_us - self._edges[index - 1] <= near_us:
            return True
        if index < len(self._edges) and self._edges[index] - at_us <= near_us:
            return True
        begins, ends = self._between
        last = bisect_right(begins, at_us + near_us) - 1
        return last >= 0 and ends[last] >= at_us - near_us


def _within(
    between: tuple[Times, Times], starts: Times, ends: Times
) -> tuple[Times, Times]:
    """Those from the first low to the rise of the last."""
    begins, beyond = between
    if not len(begins) or not len(starts):
        return begins[:0], beyond[:0]
    first = int(np.searchsorted(beyond, starts[0]))
    last = int(np.searchsorted(begins, ends[-1], "right")) + 1
    return begins[first:last], beyond[first:last]


def _humps(
    between: tuple[Times, Times], starts: Times, ends: Times
) -> NDArray[np.int64]:
    """Places of those that lie inside a low, with lows ahead of and behind them."""
    begins, beyond = between
    if not len(begins):
        return np.empty(0, np.int64)
    low = np.maximum(np.searchsorted(starts, begins) - 1, 0)
    inside = (begins > starts[low]) & (beyond < ends[low])
    return np.asarray(np.flatnonzero(inside), np.int64)
