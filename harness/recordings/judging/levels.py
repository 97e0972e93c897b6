"""Levels and edges of a recording in volts."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from harness.recordings.decoding.sides import SlotSide
from harness.recordings.decoding.slots import DecodedLows, LowKind
from harness.recordings.judging.tally import QuantityTally
from harness.recordings.reading.chunks import HIGH, LevelChunk
from harness.recordings.record.quantity import JudgedQuantity, QuantityRow, ValueOwner

_FINEST_V = 0.001
"""Bin of a level's histogram: no recorder of twelve bits at 5 V is finer."""

_RISE = QuantityRow(name="rise time", side=ValueOwner.LINE)
_FALL = QuantityRow(name="fall time", side=ValueOwner.LINE)

_LOWS = {
    SlotSide.HOST: ("low level, host", ValueOwner.HOST),
    SlotSide.DEVICE: ("low level, device", ValueOwner.DEVICE),
    SlotSide.EITHER: ("low level, host or device", ValueOwner.EITHER),
}


class LevelMeter:
    """Takes chunks and decoded lows of volts, and keeps tallies of levels and edges.

    Args:
        limits: highest low level and lowest high level in volts, or None.
    """

    def __init__(self, limits: tuple[float, float] | None) -> None:
        low_most, high_least = limits or (None, None)
        self._rise, self._fall = QuantityTally(_RISE, 0.0), QuantityTally(_FALL, 0.0)
        self._lows = {
            side: QuantityTally(_level(name, owner, None, low_most), _FINEST_V)
            for side, (name, owner) in _LOWS.items()
        }
        high = _level("high level", ValueOwner.LINE, high_least, None)
        self._high = QuantityTally(high, _FINEST_V)

    def feed(self, chunk: LevelChunk, tick_s: float) -> None:
        """Edges and high levels of a chunk, as the file has them."""
        for tally, edges in ((self._rise, chunk.rises), (self._fall, chunk.falls)):
            if edges is not None:
                tally.feed(edges.spans_s * 1e6, edges.at_s)
        if chunk.before_v is not None:
            ended_high = chunk.levels != HIGH
            self._take(
                self._high,
                chunk.before_v[ended_high],
                chunk.times[ended_high] * tick_s,
            )

    def feed_lows(
        self, decoded: DecodedLows, sides: NDArray[np.uint8], tick_s: float
    ) -> None:
        """Low levels of long lows: resets, presence pulses and zeros.

        Args:
            decoded: the lows.
            sides: a ``SlotSide`` for each low that is a slot.
            tick_s: length of a tick.
        """
        known = np.isfinite(decoded.lows.volts)
        if not known.any():
            return
        kinds = decoded.kinds
        zero = (kinds == LowKind.SLOT) & (decoded.bits == 0)
        side = sides.copy()
        side[kinds == LowKind.RESET] = SlotSide.HOST
        side[kinds == LowKind.PRESENCE] = SlotSide.DEVICE
        long = zero | (kinds == LowKind.RESET) | (kinds == LowKind.PRESENCE)
        for owner, tally in self._lows.items():
            chosen = known & long & (side == owner)
            self._take(
                tally,
                decoded.lows.volts[chosen].astype(np.float64),
                decoded.lows.starts[chosen] * tick_s,
            )

    def _take(
        self,
        tally: QuantityTally,
        volts: NDArray[np.float64],
        at_s: NDArray[np.float64],
    ) -> None:
        finite = np.isfinite(volts)
        tally.feed(volts[finite], at_s[finite])

    def rise_us(self) -> float:
        """Median rise time between the thresholds; 0 if none was seen."""
        found = self._rise.judge(0.0)
        return found.median if found else 0.0

    def judged(self, interval_us: float, step_v: float) -> Iterator[JudgedQuantity]:
        """What there is of them.

        Args:
            interval_us: sampling interval, the doubt of an edge.
            step_v: smallest difference between two samples, the doubt of a level.
        """
        for tally, doubt in (
            (self._rise, interval_us),
            (self._fall, interval_us),
            *((tally, step_v) for tally in self._lows.values()),
            (self._high, step_v),
        ):
            if (found := tally.judge(doubt)) is not None:
                yield found


def _level(
    name: str, owner: ValueOwner, low: float | None, high: float | None
) -> QuantityRow:
    return QuantityRow(
        name=name, side=owner, unit="V",
        low=low, high=high, loosest_low=low, loosest_high=high, source="fixture",
    )  # fmt: skip
