"""Levels and rise times of a recording in volts."""

from __future__ import annotations

import numpy as np

from harness.recordings.judging.tally import QuantityTally
from harness.recordings.reading.chunks import LevelSource
from harness.recordings.record.quantity import JudgedQuantity, QuantityRow, ValueOwner

_VOLT_DOUBT = 0.0
_RISE = QuantityRow(name="rise time (30 to 70 %)", side=ValueOwner.LINE)


def judged_levels(
    source: LevelSource, interval_us: float, limits: tuple[float, float] | None
) -> tuple[JudgedQuantity, ...]:
    """Rise time, low and high level; nothing where levels were recorded.

    Args:
        source: the recording, read to its end.
        interval_us: sampling interval.
        limits: highest low level and lowest high level in volts, or None.
    """
    facts = source.analog
    if facts is None:
        return ()
    found = []
    if source.rises_s:
        at, spans = np.array(source.rises_s).T
        rise = QuantityTally(_RISE, 0.0)
        rise.feed(spans * 1e6, at)
        found.append(rise.judge(interval_us))
    low_most, high_least = limits or (None, None)
    for name, volts, low, high in (
        ("low level", facts.low_v, None, low_most),
        ("high level", facts.high_v, high_least, None),
    ):
        if not np.isfinite(volts):
            continue
        row = QuantityRow(
            name=name, side=ValueOwner.LINE, unit="V",
            low=low, high=high, loosest_low=low, loosest_high=high, source="fixture",
        )  # fmt: skip
        level = QuantityTally(row, 0.0)
        level.feed(np.array([volts]), np.zeros(1))
        found.append(level.judge(_VOLT_DOUBT))
    return tuple(quantity for quantity in found if quantity is not None)
