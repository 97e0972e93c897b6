"""The sampling interval, from the times of the edges alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.recordings.reading.chunks import Ticks

_MOST_DURATIONS = 50_000
_LEAST_GROUPS = 4
_ROUNDED = 2
"""Rounding to a tick moves an edge by half of one, so a duration by up to one either way:
durations that belong together lie within two ticks."""


def sampling_interval(edges: Ticks, step: int) -> int:
    """The interval in ticks.

    All edges of a sampled recording are whole numbers of intervals apart, so their
    greatest common divisor is the interval or a multiple of it. Where the interval is
    no whole number of ticks (24 MHz in ns) the divisor is one tick, while durations come
    in groups of two or three ticks, one interval apart: that distance is taken.

    Args:
        edges: ticks of edges, in any order.
        step: greatest common divisor of all edges, 0 if there are none.
    """
    if step != 1 or len(edges) < 2:
        return max(step, 1)
    durations = np.unique(np.diff(np.sort(edges)[:_MOST_DURATIONS]))
    durations = durations[durations > 0]
    gaps = np.diff(durations)
    apart = gaps[gaps > _ROUNDED]
    if len(apart) < _LEAST_GROUPS or not len(durations):
        return 1
    nearest = int(apart.min())
    groups = np.split(durations, np.flatnonzero(gaps > _ROUNDED) + 1)
    widest = max(int(group[-1] - group[0]) for group in groups)
    # groups of a lattice are narrow and far apart; anything else has no interval
    if widest > _ROUNDED or nearest <= 4 * _ROUNDED:
        return 1
    centres = np.array([(group[0] + group[-1]) / 2 for group in groups])
    return nearest if _is_lattice(centres, nearest) else 1


def _is_lattice(centres: NDArray[np.float64], nearest: int) -> bool:
    """True if all groups are whole numbers of one interval apart, near to ``nearest``.

    Exact times, such as those of a simulated line, come in narrow groups as well, but
    with any distance between them. The interval is refined from group to group, each
    time over the longest distance whose number of intervals is still certain.
    """
    interval = float(nearest)
    for distance in centres[1:] - centres[0]:
        count = round(distance / interval)
        if abs(distance - count * interval) > 2 * _ROUNDED:
            return False
        interval = distance / count
    return True
