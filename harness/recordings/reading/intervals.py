"""The sampling interval, from the times of samples."""

from __future__ import annotations

import numpy as np

from harness.recordings.reading.chunks import Ticks

_SAME_STEP = 0.02
"""Steps that differ less than this from their median are one sampling interval."""
_EVEN_SHARE = 0.9


def even_interval(times: Ticks) -> int:
    """The interval in ticks; 0 for times of changes."""
    steps = np.diff(times)
    if not len(steps):
        return 0
    middle = float(np.median(steps))
    even = np.abs(steps - middle) <= max(1.0, _SAME_STEP * middle)
    return round(middle) if even.mean() >= _EVEN_SHARE else 0


def common_interval(times: Ticks) -> int:
    """The interval in ticks, or of changes the largest one that fits all of them."""
    return even_interval(times) or int(np.gcd.reduce(times - times[0]))
