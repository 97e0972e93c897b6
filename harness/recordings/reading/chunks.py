"""What every reader hands on: times as whole ticks, levels as small numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from harness.recordings.record.shown import AnalogFacts

LOW, HIGH, UNKNOWN = 0, 1, 2
"""Levels of a chunk; unknown is a stretch that the recorder left out."""

Ticks = NDArray[np.int64]
Levels = NDArray[np.int8]
Volts = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeSpans:
    """How long edges of one direction took from threshold to threshold, in seconds.

    ``at_s``: when each was over.
    """

    at_s: NDArray[np.float64]
    spans_s: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TickSpans:
    """Stretches of a recording, each from a tick up to another."""

    begins: Ticks
    ends: Ticks


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelChunk:
    """A stretch of a recording.

    Attributes:
        times: ticks of the reader, ascending, one for each level.
        levels: the level from that time on: LOW, HIGH or UNKNOWN.
        end: tick up to which the last level is known to last.
        before_v: voltage of the stretch that ends at each time, None where levels were
            recorded; not a number where it is not known.
        rises: rise times, None where levels were recorded.
        falls: fall times.
        between: stretches in which a receiver may take the line either way, None where
            nobody asked for them.
    """

    times: Ticks
    levels: Levels
    end: int
    before_v: Volts | None = None
    rises: EdgeSpans | None = None
    falls: EdgeSpans | None = None
    between: TickSpans | None = None


class LevelSource(Protocol):
    """A file opened for reading.

    Attributes:
        tick_s: length of a tick in seconds.
        channel: name of the channel that is read.
        others: names of the channels that are not.
        notes: sentences for the reader of the result.
        analog: levels and thresholds, None where levels were recorded.
        sample_ticks: sampling interval where the file shows it, else 0.
        bytes_read: how far the file is read, for a progress bar.
    """

    tick_s: float
    channel: str
    others: tuple[str, ...]
    notes: list[str]
    analog: AnalogFacts | None
    sample_ticks: int
    bytes_read: int

    def chunks(self) -> Iterator[LevelChunk]:
        """The edges, chunk by chunk; repeated levels may occur."""
        ...
