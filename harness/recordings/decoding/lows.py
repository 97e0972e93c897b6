"""Edges to lows: when the line was pulled low, and what was cut off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.recordings.reading.chunks import LOW, UNKNOWN, LevelChunk, Ticks

WHOLE, CUT_BEFORE, CUT_AFTER = 0, 1, 2
"""Flags of a low: it began before the recording or a gap in it, or ended after it."""

AFTER_GAP = 4
"""Flag of a low: something unknown lies between it and the low before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lows:
    """Lows in order: first and last tick, flags, volts; all of one length.

    ``volts``: of each in its middle; not a number where levels were recorded.
    """

    starts: Ticks
    ends: Ticks
    flags: NDArray[np.uint8]
    volts: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.starts)

    def part(self, chosen: slice | NDArray[np.bool_]) -> Lows:
        """Some of them."""
        return Lows(
            starts=self.starts[chosen],
            ends=self.ends[chosen],
            flags=self.flags[chosen],
            volts=self.volts[chosen],
        )

    @staticmethod
    def joined(*parts: Lows) -> Lows:
        """One after the other."""
        return Lows(
            starts=np.concatenate([p.starts for p in parts]),
            ends=np.concatenate([p.ends for p in parts]),
            flags=np.concatenate([p.flags for p in parts]),
            volts=np.concatenate([p.volts for p in parts]),
        )


NO_LOWS = Lows(
    starts=np.empty(0, np.int64),
    ends=np.empty(0, np.int64),
    flags=np.empty(0, np.uint8),
    volts=np.empty(0, np.float32),
)


class LowFinder:
    """Chunks of edges to lows; keeps the level from chunk to chunk.

    Args:
        inverted: True if the recorder had high and low the other way round.

    Attributes:
        first: first tick of the recording, None before any chunk with an edge.
        last: last tick known.
        edges: changes of level seen.
        gaps: stretches that the recorder left out.
        step: greatest common divisor of all times from the first on, in ticks; 0 if
            there were none.
    """

    def __init__(self, *, inverted: bool = False) -> None:
        self._inverted = inverted
        self._level = -1
        self._low_since = 0
        self._flag = WHOLE
        self._gap = False
        self.first: int | None = None
        self.last = 0
        self.edges = 0
        self.gaps = 0
        self.step = 0

    def feed(self, chunk: LevelChunk) -> Lows:
        """The lows that end in this chunk."""
        self.last = max(self.last, chunk.end)
        times, levels, volts = self._distinct(chunk)
        if not len(times):
            return NO_LOWS
        starting = self._level < 0
        if self.first is None:
            self.first = int(times[0])
        if starting:
            self._flag = CUT_BEFORE
        self._note_step(times)
        self.edges += len(times) - starting
        previous = np.concatenate(([self._level], levels[:-1]))
        before = np.concatenate(([self._low_since], times[:-1]))
        ends = np.flatnonzero(previous == LOW)
        flags = np.zeros(len(times), np.uint8)
        flags[1:] |= np.where(previous[:-1] == UNKNOWN, CUT_BEFORE, 0)[
            : len(times) - 1
        ].astype(np.uint8)
        flags[0] |= self._flag if self._level == LOW else 0
        flags |= np.where(levels == UNKNOWN, CUT_AFTER, 0).astype(np.uint8)
        flags = self._mark_gaps(flags, previous, levels)
        if starting and len(times) > 1 and levels[0] == LOW:
            flags[1] |= CUT_BEFORE
        self._remember(times, levels, previous)
        return Lows(
            starts=before[ends], ends=times[ends], flags=flags[ends], volts=volts[ends]
        )

    def finish(self) -> Lows:
        """The low that the end of the recording cuts, if there is one."""
        if self._level != LOW or self.last <= self._low_since:
            return NO_LOWS
        flag = self._flag | CUT_AFTER | (AFTER_GAP if self._gap else 0)
        return Lows(
            starts=np.array([self._low_since]),
            ends=np.array([self.last]),
            flags=np.array([flag], np.uint8),
            volts=np.full(1, np.nan, np.float32),
        )

    def _distinct(
        self, chunk: LevelChunk
    ) -> tuple[Ticks, NDArray[np.int8], NDArray[np.float32]]:
        """Changes of level, of several at one time the last one, and the volts before."""
        times, levels = chunk.times, chunk.levels
        volts = (
            np.full(len(times), np.nan, np.float32)
            if chunk.before_v is None
            else chunk.before_v.astype(np.float32)
        )
        if self._inverted:
            levels = np.where(levels == UNKNOWN, levels, 1 - levels).astype(np.int8)
        if len(times) > 1 and (times[1:] == times[:-1]).any():
            last = np.append(times[1:] != times[:-1], True)
            times, levels, volts = times[last], levels[last], volts[last]
        if not len(times):
            return times, levels, volts
        turned = np.empty(len(times), np.bool_)
        turned[0] = levels[0] != self._level
        np.not_equal(levels[1:], levels[:-1], out=turned[1:])
        return times[turned], levels[turned], volts[turned]

    def _note_step(self, times: Ticks) -> None:
        if self.step != 1 and self.first is not None:
            self.step = int(np.gcd(np.gcd.reduce(times - self.first), self.step))

    def _mark_gaps(
        self,
        flags: NDArray[np.uint8],
        previous: NDArray[np.int8],
        levels: NDArray[np.int8],
    ) -> NDArray[np.uint8]:
        """Marks the low that follows a gap, wherever it begins."""
        unknown = np.flatnonzero(levels == UNKNOWN)
        self.gaps += len(unknown)
        lows = np.flatnonzero(previous == LOW)
        if self._gap and len(lows):
            flags[lows[0]] |= AFTER_GAP
            self._gap = False
        following = np.searchsorted(lows, unknown, "right")
        found = following < len(lows)
        flags[lows[following[found]]] |= AFTER_GAP
        if not found.all():
            self._gap = True
        return flags

    def _remember(
        self, times: Ticks, levels: NDArray[np.int8], previous: NDArray[np.int8]
    ) -> None:
        self._level = int(levels[-1])
        self._low_since = int(times[-1])
        # a first low has no edge that began it, nor has one behind a gap
        unknown_before = previous[-1] == UNKNOWN or previous[-1] < 0
        self._flag = CUT_BEFORE if unknown_before else WHOLE
