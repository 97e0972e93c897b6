"""When a line in volts was between two levels, where it has no level of its own."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.recordings.reading.chunks import Ticks, TickSpans, Volts


class WindowWatch:
    """Samples in volts to the stretches between two levels; keeps its state between chunks.

    Args:
        low_v: at this and below the line is low.
        high_v: at this and above it is high.
    """

    def __init__(self, low_v: float, high_v: float) -> None:
        self._low_v, self._high_v = low_v, high_v
        self._since: int | None = None

    def feed(self, times: Ticks, volts: Volts) -> TickSpans:
        """Stretches that end here: from the first sample between to the first that is not.

        Args:
            times: of the samples.
            volts: of the samples; one that is no number is not between.
        """
        between = (volts > self._low_v) & (volts < self._high_v)
        before: NDArray[np.bool_] = np.concatenate(
            ([self._since is not None], between[:-1])
        )
        begins = times[between & ~before]
        ends = times[~between & before]
        if self._since is not None:
            begins = np.concatenate(([self._since], begins))
        is_open = len(begins) > len(ends)
        self._since = int(begins[-1]) if is_open else None
        return TickSpans(begins=begins[: len(ends)], ends=ends)
