"""Finds a run in a recording: which of its resets is which.

Run and recording need not begin together, so a frame is known by what was said in it:
the bits of its slots, as the echoes heard them and as the line shows them. Each frame
that is rare enough votes for the distance between the two counts of resets; the distance
with the most votes is taken, if it has a clear majority.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from harness.recordings.comparing.bursts import RESET_US, Character, Characters
from harness.recordings.decoding.parting import ones
from harness.recordings.decoding.rules import STANDARD_RULES

_LEAST_SLOTS = 8
_MOST_ALIKE = 50
"""Frames that are as common as this say nothing about where they stand."""

Times = NDArray[np.float64]
Signature = bytes
"""A byte for each slot, 0 or 1."""


def recorded_resets(starts_us: Times, ends_us: Times) -> NDArray[np.int64]:
    """Indices of the lows that are resets at standard speed.

    A presence pulse that runs into the host's next low can be as long; it is known by
    where it begins.
    """
    found, last_us = [], -np.inf
    for index in np.flatnonzero(ends_us - starts_us >= RESET_US):
        if starts_us[index] - last_us > STANDARD_RULES.presence_us:
            found.append(int(index))
            last_us = float(ends_us[index])
    return np.array(found, np.int64)


def distance(
    starts_us: Times,
    ends_us: Times,
    resets: NDArray[np.int64],
    characters: Characters,
    frames: Sequence[int],
) -> int | None:
    """How many resets the recording has before the run's first one; None if not found.

    Negative if the run began before the recording.
    """
    recorded = _recorded_signatures(starts_us, ends_us, resets)
    heard = _heard_signatures(characters, frames)
    where: dict[Signature, list[int]] = defaultdict(list)
    for index, signature in enumerate(recorded):
        where[signature].append(index)
    votes: Counter[int] = Counter()
    for index, signature in enumerate(heard):
        found = where.get(signature, [])
        if len(signature) >= _LEAST_SLOTS and len(found) <= _MOST_ALIKE:
            for other in found:
                votes[other - index] += 1
    best = votes.most_common(2)
    if not best or (len(best) > 1 and best[0][1] == best[1][1]):
        return None
    return best[0][0]


def _recorded_signatures(
    starts_us: Times, ends_us: Times, resets: NDArray[np.int64]
) -> list[Signature]:
    found = []
    beyond = np.append(resets[1:], len(starts_us))
    for reset, end in zip(resets, beyond, strict=True):
        lows = slice(int(reset) + 1, int(end))
        behind = starts_us[lows] - ends_us[reset] > STANDARD_RULES.presence_us
        length = (ends_us[lows] - starts_us[lows])[behind]
        frame, slots = np.zeros(len(length), np.int64), np.ones(len(length), np.bool_)
        bits = ones(length, slots, frame, STANDARD_RULES).astype(np.uint8)
        found.append(bits.tobytes())
    return found


def _heard_signatures(characters: Characters, frames: Sequence[int]) -> list[Signature]:
    beyond = [*frames[1:], len(characters)][: len(frames)]
    return [
        bytes(_heard_one(each) for each in characters.part(begin + 1, end))
        for begin, end in zip(frames, beyond, strict=True)
    ]


def _heard_one(slot: Character) -> bool:
    """True for a slot in which the host was short and no device was heard beyond it.

    An echo knows a low to a bit only: where a device lets go near the border of ones, its
    length in bits and in the recording fall on either side of it.
    """
    if slot.heard_low_us <= STANDARD_RULES.surely_one_us:
        return True
    is_short = slot.own_low_us <= STANDARD_RULES.one_us
    return is_short and slot.heard_low_us <= slot.own_low_us
