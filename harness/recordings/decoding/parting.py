"""Where the ones of a frame end and its zeros begin.

The published limits touch: a host may hold a one for 15 us, a device may let go of a zero
after 15. No fixed border serves both, but one host and a few devices use little of what
they may: their lows come in two groups with a gap between. So each frame, from one reset
to the next, has a border of its own, in the gap that its lows leave around the published
limit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.recordings.decoding.rules import NO_SLOT_FACTOR, SlotRules

Lengths = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

_NO_GAP = 1.5
"""Sampling intervals between two lengths that may be one: it shows as two neighbouring
whole numbers of intervals, never as two that have one between them."""

_ROUNDING = 1e-9
"""A zero of just the limit is a zero, whatever the last digit of a float says."""


@dataclass(frozen=True, slots=True)
class Parted:
    """Which lows are as short as a one of their frame, and which cannot be determined.

    A length is known to a sampling interval either way. So where the longest one and the
    shortest zero of a frame are a single interval apart, either may be the other.
    """

    ones: Flags
    unclear: Flags


def ones(length: Lengths, slot: Flags, frame_of: Indices, rules: SlotRules) -> Flags:
    """Which lows are ones, of lengths that are exact; see ``part``."""
    return part(length, slot, frame_of, rules).ones


def part(
    length: Lengths,
    slot: Flags,
    frame_of: Indices,
    rules: SlotRules,
    step_us: float = 0.0,
) -> Parted:
    """Part the slots of each frame into ones and zeros.

    Args:
        length: of each low, us.
        slot: which lows are slots.
        frame_of: number of each low's frame, never falling.
        rules: of the speed that holds.
        step_us: sampling interval, 0 where times are exact.
    """
    found = length <= rules.one_us
    unclear = np.zeros(len(length), np.bool_)
    near_us = _NO_GAP * step_us
    low_us = min(rules.surely_one_us, rules.one_us - near_us)
    within = slot & (length > low_us) & (length <= rules.one_us + near_us)
    for frame in np.unique(frame_of[within]):
        begin, end = np.searchsorted(frame_of, (frame, frame + 1))
        here = slice(int(begin), int(end))
        known = np.unique(length[here][slot[here]])
        border_us = _border_us(known, rules, near_us)
        found[here] = length[here] <= border_us
        index = int(np.searchsorted(known, border_us, "right"))
        if 0 < index < len(known) and known[index] - known[index - 1] < near_us:
            between = (length[here] >= known[index - 1]) & (
                length[here] <= known[index]
            )
            unclear[here] = between & slot[here]
    return Parted(found, unclear)


def _border_us(known: Lengths, rules: SlotRules, near_us: float) -> float:
    """Middle, in ratio, of the gap that parts a frame's ones from its zeros.

    The gap at the published limit if it is wider than the spread of a timer: host and
    devices keep to the limit then. Else the widest around it. The last gap ends at the
    shortest zero if that is a device's: the host's zeros, longer still, say nothing of
    where a device lets go. Without a low that is a
    one for sure there is one group only: each ROM command has ones, so those of this
    host are long.

    Args:
        known: the lengths of the frame's slots, each once, ascending.
        rules: of the speed.
        near_us: lengths nearer than this may be the same one.
    """
    low_us, high_us = rules.surely_one_us, rules.one_us
    certain = known[known <= low_us]
    within = known[(known > low_us) & (known <= high_us)]
    if not len(certain) or not len(within):
        return high_us
    beyond_us = _shortest_held(known[known > high_us], rules) or high_us
    edges = np.concatenate((certain[-1:], within, [beyond_us]))
    ratios = edges[1:] / edges[:-1]
    # the last one may end at a border, not at a length
    ratios[:-1][np.diff(edges[:-1]) < near_us] = 1.0
    limit_us = np.sqrt(low_us * high_us) * (1 - _ROUNDING)
    chosen = int(np.searchsorted(edges, limit_us)) - 1
    if ratios[chosen] < NO_SLOT_FACTOR:
        chosen = int(ratios.argmax())
    return float(np.sqrt(edges[chosen] * edges[chosen + 1]))


def _shortest_held(zeros: Lengths, rules: SlotRules) -> float:
    """The shortest zero of a device among lengths that are certainly zeros, or 0.

    It is one if it lies below the host's published write-0 low by more than a timer's
    spread, and longer zeros, beyond a gap as wide, are there: those are the host's.
    """
    if not len(zeros) or zeros[0] * NO_SLOT_FACTOR >= rules.write_0_us:
        return 0.0
    parted = zeros[1:] > NO_SLOT_FACTOR * zeros[:-1]
    return float(zeros[0]) if parted.any() else 0.0
