"""Decoded lows to the quantities that are judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.recordings.decoding.lows import WHOLE, Lows
from harness.recordings.decoding.sides import SlotSide
from harness.recordings.decoding.slots import DecodedLows, LowKind
from harness.recordings.judging.limits import LONGEST_SLOT_US, ROWS
from harness.recordings.judging.presence import (
    ALONE,
    JOINT,
    Answering,
    presence_verdict,
)
from harness.recordings.judging.tally import QuantityTally
from harness.recordings.record.quantity import JudgedQuantity
from harness.recordings.record.sentences import quantity_name
from harness.recordings.record.shown import SlotView

Indices = NDArray[np.int64]

_BEFORE, _BEHIND = 1, 3
"""Lows shown before and behind the worst one: the slot before it, presence behind a
reset and the first slots."""

_DEVICE_MOST_US = {
    speed: ROWS["zero hold", speed].high or 0.0 for speed in (False, True)
}


@dataclass(slots=True)
class _Lengths:
    """Shortest and longest zeros that are surely the host's, or surely a device's."""

    low: float = np.inf
    high: float = -np.inf

    def take(self, values: NDArray[np.float64]) -> None:
        if len(values):
            self.low = min(self.low, float(values.min()))
            self.high = max(self.high, float(values.max()))

    def has(self, values: NDArray[np.float64], doubt: float) -> NDArray[np.bool_]:
        return (values >= self.low - doubt) & (values <= self.high + doubt)

    def meets(self, other: _Lengths, doubt: float) -> bool:
        return self.low - doubt <= other.high and other.low - doubt <= self.high


class QuantityMeter:
    """Takes batches of decoded lows and keeps a tally for each quantity.

    Args:
        tick_us: length of a tick.
    """

    def __init__(self, tick_us: float) -> None:
        self._tick_us = tick_us
        self._tallies: dict[tuple[str, bool], QuantityTally] = {}
        self._around: dict[tuple[str, bool], tuple[tuple[float, float], ...]] = {}
        self._host = {False: _Lengths(), True: _Lengths()}
        self._device = {False: _Lengths(), True: _Lengths()}

    def feed(
        self, decoded: DecodedLows, sides: NDArray[np.uint8], step_us: float
    ) -> NDArray[np.uint8]:
        """Takes a batch; returns the sides as far as lengths show them too.

        Args:
            decoded: the lows.
            sides: a ``SlotSide`` for each low that is a slot.
            step_us: sampling interval as far as it is known.
        """
        for speed in (False, True):
            here = decoded.overdrive == speed
            if here.any():
                self._resets(decoded, here, speed)
                self._slots(decoded, here, speed)
                sides = self._lows(decoded, sides, here, speed, step_us)
        return sides

    def judged(
        self, doubt_us: float, answering: Answering
    ) -> tuple[JudgedQuantity, ...]:
        """Every quantity that has values, in the order of the limits.

        Args:
            doubt_us: half width of what is known of each time.
            answering: how many devices there are.
        """
        found = {
            key: judged
            for key in ROWS
            if key in self._tallies and (judged := self._tallies[key].judge(doubt_us))
        }
        for speed in (False, True):
            if (JOINT, speed) in found:
                joint = found.pop((JOINT, speed))
                alone = found[ALONE, speed]
                found[ALONE, speed] = presence_verdict(alone, joint, answering)
        return tuple(found.values())

    def views(self, judged: tuple[JudgedQuantity, ...]) -> tuple[SlotView, ...]:
        """The line around the worst value of each quantity that was judged."""
        found = []
        for quantity in judged:
            key = (quantity.row.name, quantity.row.overdrive)
            if key not in self._around:
                continue
            tally = self._tallies[key]
            found.append(
                SlotView(
                    quantity=quantity_name(quantity.row),
                    at_s=tally.nearest_at_s,
                    value=tally.nearest,
                    unit=quantity.row.unit,
                    standing=quantity.standing,
                    lows=self._around[key],
                )
            )
        return tuple(found)

    # -- quantities --------------------------------------------------------------

    def _take(
        self, name: str, speed: bool, ticks: Indices, begins: Indices, lows: Lows
    ) -> None:
        key = (name, speed)
        if key not in self._tallies:
            self._tallies[key] = QuantityTally(ROWS[key], self._tick_us)
        values = np.asarray(ticks * self._tick_us, np.float64)
        at_s = np.asarray(begins * self._tick_us * 1e-6, np.float64)
        tally = self._tallies[key]
        before = tally.nearest_at_s
        tally.feed(values, at_s)
        if tally.nearest_at_s != before and len(values):
            at = round(tally.nearest_at_s * 1e6 / self._tick_us)
            self._around[key] = _around(lows, at, self._tick_us)

    def _take_lows(
        self, name: str, speed: bool, decoded: DecodedLows, chosen: Indices
    ) -> None:
        lows = decoded.lows
        whole = chosen[(lows.flags[chosen] & ~np.uint8(4)) == WHOLE]
        starts = lows.starts[whole]
        self._take(name, speed, lows.ends[whole] - starts, starts, lows)

    def _resets(
        self, decoded: DecodedLows, here: NDArray[np.bool_], speed: bool
    ) -> None:
        lows, kinds = decoded.lows, decoded.kinds
        # a standard reset at overdrive speed is judged as what it is
        reset = np.flatnonzero((kinds == LowKind.RESET) & here)
        self._take_lows("reset low", speed, decoded, reset)
        presence = np.flatnonzero((kinds == LowKind.PRESENCE) & here)
        self._take_lows(ALONE, speed, decoded, presence)
        self._take_lows(JOINT, speed, decoded, presence)
        first = presence[kinds[presence - 1] == LowKind.RESET]
        wait = lows.starts[first] - lows.ends[first - 1]
        self._take("presence wait", speed, wait, lows.ends[first - 1], lows)
        slot = np.flatnonzero(kinds == LowKind.SLOT)
        if not len(slot) or not len(reset):
            return
        following = np.searchsorted(slot, reset)
        reset, following = (
            reset[following < len(slot)],
            following[following < len(slot)],
        )
        frame = np.searchsorted(decoded.frames, slot[following], "right")
        same = frame == np.searchsorted(decoded.frames, reset, "right")
        reset, first_slot = reset[same], slot[following[same]]
        high = lows.starts[first_slot] - lows.ends[reset]
        self._take("reset high", speed, high, lows.ends[reset], lows)

    def _slots(
        self, decoded: DecodedLows, here: NDArray[np.bool_], speed: bool
    ) -> None:
        lows = decoded.lows
        slot = np.flatnonzero((decoded.kinds == LowKind.SLOT) & here)
        frame = np.searchsorted(decoded.frames, slot, "right")
        before, after = slot[:-1], slot[1:]
        length = lows.starts[after] - lows.starts[before]
        longest = LONGEST_SLOT_US[speed] / self._tick_us
        close = (frame[1:] == frame[:-1]) & (length <= longest)
        before, after = before[close], after[close]
        self._take("slot length", speed, length[close], lows.starts[before], lows)
        gap = lows.starts[after] - lows.ends[before]
        self._take("recovery", speed, gap, lows.ends[before], lows)

    def _lows(
        self,
        decoded: DecodedLows,
        sides: NDArray[np.uint8],
        here: NDArray[np.bool_],
        speed: bool,
        step_us: float,
    ) -> NDArray[np.uint8]:
        slot = here & (decoded.kinds == LowKind.SLOT)
        slot &= ~decoded.unclear
        one = slot & (decoded.bits == 1)
        zero = slot & (decoded.bits == 0)
        sides = self._by_shape(decoded, sides, zero, speed, step_us)
        for name, chosen in (
            ("write-1 low", one & (sides == SlotSide.HOST)),
            ("read low", one & (sides == SlotSide.DEVICE)),
            ("write-1 or read low", one & (sides == SlotSide.EITHER)),
            ("write-0 low", zero & (sides == SlotSide.HOST)),
            ("zero hold", zero & (sides == SlotSide.DEVICE)),
            ("write-0 low or zero hold", zero & (sides == SlotSide.EITHER)),
        ):
            if chosen.any():
                self._take_lows(name, speed, decoded, np.flatnonzero(chosen))
        return sides

    def _by_shape(
        self,
        decoded: DecodedLows,
        sides: NDArray[np.uint8],
        zero: NDArray[np.bool_],
        speed: bool,
        step_us: float,
    ) -> NDArray[np.uint8]:
        """Zeros whose side the transaction does not give, by their length.

        A zero as long as the host's own is the host's where the zeros of devices are
        of another length, or where it is longer than a device may hold. One that no
        host low is like is a device's.
        """
        ticks = decoded.lows.ends - decoded.lows.starts
        length = np.asarray(ticks * self._tick_us, np.float64)
        host, device = self._host[speed], self._device[speed]
        host.take(length[zero & (sides == SlotSide.HOST)])
        device.take(length[zero & (sides == SlotSide.DEVICE)])
        open_ = zero & (sides == SlotSide.EITHER)
        if not open_.any() or host.high < 0:
            return sides
        like_host = host.has(length, step_us)
        distinct = device.high > 0 and not host.meets(device, step_us)
        sides = sides.copy()
        beyond_device = length - step_us > _DEVICE_MOST_US[speed]
        sides[open_ & like_host & (distinct | beyond_device)] = SlotSide.HOST
        shorter = length + 2 * step_us < host.low
        sides[open_ & ~like_host & shorter] = SlotSide.DEVICE
        return sides


def _around(lows: Lows, at: int, tick_us: float) -> tuple[tuple[float, float], ...]:
    """The low that an instant begins or ends, and its neighbours, in us from it."""
    index = int(np.searchsorted(lows.starts, at, "right")) - 1
    chosen = slice(max(0, index - _BEFORE), index + _BEHIND + 1)
    starts, ends = lows.starts[chosen], lows.ends[chosen]
    return tuple(
        (float(start - at) * tick_us, float(end - at) * tick_us)
        for start, end in zip(starts, ends, strict=True)
    )
