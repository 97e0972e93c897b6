"""Where the ones of a frame end and its zeros begin.

The published limits touch: a host may hold a one for 15 us, a device may let go of a zero
after 15. No fixed border serves both, but one host and a few devices use little of what
they may: their lows come in two groups with a gap between. So each frame, from one reset
to the next, has a border of its own, in the gap that its lows leave around the published
limit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.recordings.decoding.rules import NO_SLOT_FACTOR, SlotRules

Lengths = NDArray[np.float64]

_ROUNDING = 1e-9
"""A zero of just the limit is a zero, whatever the last digit of a float says."""


def ones(
    length: Lengths,
    slot: NDArray[np.bool_],
    frame_of: NDArray[np.int64],
    rules: SlotRules,
) -> NDArray[np.bool_]:
    """Which lows are ones.

    Args:
        length: of each low, us.
        slot: which lows are slots.
        frame_of: number of each low's frame, never falling.
        rules: of the speed that holds.

    Returns:
        True for each low that is as short as a one of its frame.
    """
    found = length <= rules.one_us
    unclear = slot & (length > rules.surely_one_us) & found
    for frame in np.unique(frame_of[unclear]):
        begin, end = np.searchsorted(frame_of, (frame, frame + 1))
        part = slice(int(begin), int(end))
        found[part] = length[part] <= _border_us(length[part][slot[part]], rules)
    return found


def _border_us(length: Lengths, rules: SlotRules) -> float:
    """Middle, in ratio, of the gap that parts a frame's ones from its zeros.

    The gap at the published limit if it is wider than the spread of a timer: host and
    devices keep to the limit then. Else the widest around it. Without a low that is a
    one for sure there is one group only: each ROM command has ones, so those of this
    host are long.
    """
    low_us, high_us = rules.surely_one_us, rules.one_us
    sure = length[length <= low_us]
    if not len(sure):
        return high_us
    within = np.unique(length[(length > low_us) & (length <= high_us)])
    edges = np.concatenate(([sure.max()], within, [high_us]))
    ratios = edges[1:] / edges[:-1]
    limit_us = np.sqrt(low_us * high_us) * (1 - _ROUNDING)
    chosen = int(np.searchsorted(edges, limit_us)) - 1
    if ratios[chosen] < NO_SLOT_FACTOR:
        chosen = int(ratios.argmax())
    return float(np.sqrt(edges[chosen] * edges[chosen + 1]))
