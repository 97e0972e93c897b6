"""Lows to resets, presence pulses and slots, at both speeds, many at a time.

Lows come in any number and leave as whole frames: a reset and all that follows it up to
the next one. A frame is decoded once the next reset is known.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from harness.recordings.decoding.lows import AFTER_GAP, NO_LOWS, Lows
from harness.recordings.decoding.parting import ones, part
from harness.recordings.decoding.rules import (
    HOLD_OFF_US,
    NO_SLOT_FACTOR,
    OVERDRIVE_RULES,
    STANDARD_RULES,
    SlotRules,
)

OVERDRIVE_SKIP, OVERDRIVE_MATCH = 0x3C, 0x69
MOST_CARRIED = 2_000_000
"""Lows that wait for a reset before they are decoded without one, for bounded memory."""

_LAST_LOWS = 64

Flags = NDArray[np.bool_]


class LowKind(IntEnum):
    """What a low is."""

    SLOT = 0
    RESET = 1
    PRESENCE = 2
    GLITCH = 3
    NEITHER = 4
    """Longer than a slot, shorter than a reset, and no presence pulse."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodedLows:
    """Lows of whole frames, with what each is.

    Attributes:
        lows: the lows; times in ticks.
        kinds: a ``LowKind`` each.
        overdrive: True where overdrive speed holds.
        bits: 1 or 0 of a slot.
        unclear: True for a slot whose bit the sampling leaves open.
        frames: first index of each frame; a frame begins with its reset, or without
            one at the recording's start and after a gap.
    """

    lows: Lows
    kinds: NDArray[np.uint8]
    overdrive: Flags
    bits: NDArray[np.uint8]
    unclear: Flags
    frames: NDArray[np.int64]

    def longest_pause(self) -> int:
        """Longest high between two lows of one frame, in ticks."""
        pauses = self.lows.starts[1:] - self.lows.ends[:-1]
        within = np.ones(len(pauses), np.bool_)
        within[self.frames[self.frames > 0] - 1] = False
        return int(pauses[within].max(initial=0))

    def frame_ends(self) -> NDArray[np.int64]:
        """One beyond the last index of each frame."""
        return np.append(self.frames[1:], len(self.lows))


class SlotDecoder:
    """Lows to decoded frames.

    Args:
        tick_us: length of a tick.

    Attributes:
        step_us: sampling interval as far as it is known.
        spikes: short highs within lows that were passed over.
        cut_frames: times that lows were decoded without waiting for a reset.
    """

    def __init__(self, tick_us: float) -> None:
        self._tick_us = tick_us
        self._carry: list[Lows] = []
        self._carried = 0
        self._long = np.zeros(4096, np.int64)
        self.step_us = 0.0
        self.spikes = 0
        self.cut_frames = 0

    def feed(self, lows: Lows) -> Iterator[DecodedLows]:
        """Takes lows; yields the frames that are complete by now."""
        if not len(lows):
            return
        self._carry.append(lows)
        self._carried += len(lows)
        if self._carried < MOST_CARRIED and not self._resets(lows).any():
            return
        everything = self._without_spikes(Lows.joined(*self._carry))
        resets = np.flatnonzero(self._resets(everything))
        # a low that spikes had parted may turn out to be a reset; the last one waits
        cut = int(resets[-1]) if len(resets) else 0
        if not cut and len(everything) >= MOST_CARRIED:
            cut = _widest_gap(everything)
            self.cut_frames += 1
        self._carry = [everything.part(slice(cut, None))]
        self._carried = len(everything) - cut
        if cut:
            # a glitch just ahead of a reset is known by the reset only
            yield _without_last(self._decode(everything.part(slice(0, cut + 1))))

    def finish(self) -> Iterator[DecodedLows]:
        """The frames that the end of the recording closes."""
        rest = Lows.joined(*self._carry) if self._carry else NO_LOWS
        self._carry, self._carried = [], 0
        if len(rest):
            yield self._decode(self._without_spikes(rest))

    # -- one batch ---------------------------------------------------------------

    def _us(self, ticks: NDArray[np.int64]) -> NDArray[np.float64]:
        return np.asarray(ticks * self._tick_us, np.float64)

    def _resets(self, lows: Lows) -> Flags:
        """Lows that are resets at standard speed.

        The presence pulses of several devices, each with a wait of its own, may last
        longer together than one is allowed to, up to where resets begin: such a low is
        none if it begins as soon behind a reset as presence does.
        """
        rules = STANDARD_RULES
        length = self._us(lows.ends - lows.starts)
        found = length >= rules.reset_us
        waited = self._us(lows.starts[1:] - lows.ends[:-1])
        near = found[1:] & (length[1:] < rules.surely_reset_us)
        near &= (waited <= rules.presence_us) & ((lows.flags[1:] & AFTER_GAP) == 0)
        for index in np.flatnonzero(near) + 1:
            found[index] = not found[index - 1]
        return found

    def _decode(self, lows: Lows) -> DecodedLows:
        length = self._us(lows.ends - lows.starts)
        is_reset = self._resets(lows)
        gap = (lows.flags & AFTER_GAP) > 0
        frame_of = np.cumsum(is_reset | gap, dtype=np.int64)
        presence = self._presence(lows, is_reset, STANDARD_RULES)
        glitch = self._crowded(lows, length, is_reset | presence, STANDARD_RULES)
        neither = self._too_long(length, ~(is_reset | presence | glitch))
        slot = ~(is_reset | presence | glitch | neither)
        overdrive = _overdrive(length, slot, frame_of, is_reset)
        kinds = np.full(len(lows), LowKind.SLOT, np.uint8)
        kinds[neither] = LowKind.NEITHER
        kinds[glitch] = LowKind.GLITCH
        if overdrive.any():
            self._class_overdrive(lows, length, overdrive, kinds)
        kinds[presence] = LowKind.PRESENCE
        kinds[is_reset] = LowKind.RESET
        begins = (kinds == LowKind.RESET) | gap
        if len(begins):
            begins[0] = True
        slow = (kinds == LowKind.SLOT) & ~overdrive
        parted = part(length, slow, frame_of, STANDARD_RULES, self.step_us)
        bits, unclear = parted.ones, parted.unclear
        if overdrive.any():
            fast = (kinds == LowKind.SLOT) & overdrive
            parted = part(length, fast, frame_of, OVERDRIVE_RULES, self.step_us)
            bits = np.where(overdrive, parted.ones, bits)
            unclear = np.where(overdrive, parted.unclear, unclear)
        return DecodedLows(
            lows=lows,
            kinds=kinds,
            overdrive=overdrive,
            bits=bits.astype(np.uint8),
            unclear=unclear,
            frames=np.flatnonzero(begins),
        )

    def _without_spikes(self, lows: Lows) -> Lows:
        """Joins two long lows that a spike parts; short ones are left to be classed."""
        gap = self._us(lows.starts[1:] - lows.ends[:-1])
        length = self._us(lows.ends - lows.starts)
        both_long = (length[1:] > 2 * HOLD_OFF_US) & (length[:-1] > 2 * HOLD_OFF_US)
        joined = (gap < HOLD_OFF_US) & both_long
        if not joined.any():
            return lows
        first = np.concatenate(([True], ~joined))
        last = np.concatenate((~joined, [True]))
        self.spikes += int(joined.sum())
        return Lows(
            starts=lows.starts[first],
            ends=lows.ends[last],
            flags=np.bitwise_or.reduceat(lows.flags, np.flatnonzero(first)),
            volts=lows.volts[first],
        )

    def _presence(self, lows: Lows, is_reset: Flags, rules: SlotRules) -> Flags:
        """Lows that begin soon enough after a reset's end."""
        reset_end = np.where(is_reset, lows.ends, -(2**62))
        latest = np.maximum.accumulate(reset_end)
        waited = self._us(np.maximum(lows.starts - np.maximum(latest, -(2**61)), 0))
        return (waited <= rules.presence_us) & ~is_reset & (latest > -(2**62))

    def _crowded(
        self, lows: Lows, length: NDArray[np.float64], fixed: Flags, rules: SlotRules
    ) -> Flags:
        """Lows too near to their neighbour to be slots: the shorter one of a pair.

        The shorter of two lows whose falling edges are nearer than any slot is long, or
        that less than the hold-off parts, is none. Only a low that could be a one can
        be too much: a long one is always the host's or a device's.
        """
        apart = self._us(lows.starts[1:] - lows.starts[:-1])
        gap = self._us(lows.starts[1:] - lows.ends[:-1])
        near = (apart < rules.slot_us) | (gap < HOLD_OFF_US)
        near &= (lows.flags[1:] & AFTER_GAP) == 0
        first_shorter = (length[:-1] < length[1:]) | fixed[1:]
        crowded = np.zeros(len(lows), np.bool_)
        crowded[:-1] |= near & first_shorter
        crowded[1:] |= near & ~first_shorter
        return crowded & ~fixed & (length <= rules.one_us)

    def _too_long(self, length: NDArray[np.float64], candidate: Flags) -> Flags:
        """Lows that no slot is long enough for, unless the others are as long."""
        rules = STANDARD_RULES
        long = candidate & (length > rules.one_us)
        counts = np.bincount(
            np.minimum(length[long], len(self._long) - 1).astype(np.int64),
            minlength=len(self._long),
        )
        self._long += counts
        beyond = candidate & (length > rules.long_us)
        if not beyond.any():
            return beyond
        # zeros that a device holds are shorter than any write-0: the median is over
        # those that are no such zeros
        host = self._long.copy()
        host[: int(rules.long_us / 3)] = 0
        total = np.cumsum(host)
        usual = float(np.searchsorted(total, (total[-1] + 1) // 2))
        return beyond & (length > NO_SLOT_FACTOR * usual)

    def _class_overdrive(
        self,
        lows: Lows,
        length: NDArray[np.float64],
        overdrive: Flags,
        kinds: NDArray[np.uint8],
    ) -> None:
        rules = OVERDRIVE_RULES
        reset = overdrive & (length >= rules.reset_us)
        presence = self._presence(lows, reset, rules) & overdrive
        glitch = self._crowded(lows, length, reset | presence, rules) & overdrive
        kinds[overdrive] = LowKind.SLOT
        kinds[glitch] = LowKind.GLITCH
        kinds[presence] = LowKind.PRESENCE
        kinds[reset] = LowKind.RESET


def _widest_gap(lows: Lows) -> int:
    """Where the last lows can be cut with the least harm."""
    starts = lows.starts[-_LAST_LOWS:]
    return len(lows) - len(starts) + 1 + int(np.diff(starts).argmax())


def _without_last(decoded: DecodedLows) -> DecodedLows:
    """The same without the last low, which belongs to what follows."""
    last = len(decoded.lows) - 1
    return DecodedLows(
        lows=decoded.lows.part(slice(0, last)),
        kinds=decoded.kinds[:last],
        overdrive=decoded.overdrive[:last],
        bits=decoded.bits[:last],
        unclear=decoded.unclear[:last],
        frames=decoded.frames[decoded.frames < last],
    )


def _overdrive(
    length: NDArray[np.float64],
    slot: Flags,
    frame_of: NDArray[np.int64],
    is_reset: Flags,
) -> Flags:
    """Lows behind an overdrive skip or match, up to the next standard reset."""
    index = np.flatnonzero(slot)
    overdrive = np.zeros(len(length), np.bool_)
    if not len(index):
        return overdrive
    frames = frame_of[index]
    first = np.flatnonzero(np.concatenate(([True], frames[1:] != frames[:-1])))
    count = np.diff(np.append(first, len(index)))
    first = first[count >= 8]
    if not len(first):
        return overdrive
    heads = index[first[:, None] + np.arange(8)]
    # what follows may be lows of the other speed, which are no ones of this one
    leading = np.zeros(len(length), np.bool_)
    leading[heads] = True
    bits = ones(length, leading, frame_of, STANDARD_RULES)[heads]
    command = np.packbits(bits, axis=1, bitorder="little")[:, 0]
    fast = (command == OVERDRIVE_SKIP) | (command == OVERDRIVE_MATCH)
    if not fast.any():
        return overdrive
    # only a frame that begins with a standard reset has a ROM command
    begun = np.zeros(int(frame_of[-1]) + 1, np.bool_)
    begun[frame_of[is_reset]] = True
    fast &= begun[frame_of[heads[:, 0]]]
    until = np.full(int(frame_of[-1]) + 1, len(length), np.int64)
    until[frame_of[heads[fast, 0]]] = heads[fast, 7]
    return (np.arange(len(length)) > until[frame_of]) & ~is_reset
