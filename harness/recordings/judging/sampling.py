"""The sampling interval, from the times of the edges alone."""

from __future__ import annotations

import numpy as np

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
    return nearest if widest <= _ROUNDED and nearest > 4 * _ROUNDED else 1
