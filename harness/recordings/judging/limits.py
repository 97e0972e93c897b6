"""What each quantity of a recording is judged by.

Two limits stand beside each other where published tables differ: the loosest one that
any data sheet has, beyond which a value is outside, and the cautious one of
``wire.limits``, beyond which it suits some devices only.

Sources of the loosest values, by tag of ``wire.limits``: S4 (recovery 1 us, slot 60 us,
write-1 and read low 1 us; at overdrive slot 6 us, recovery 1 us), S6 (write-1 and read
low 1 us, reset low 960 us), S3 (write-0 low at overdrive 16 us), S13 (5 us).
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.recordings.judging.presence import ALONE, JOINT, joint_limit
from harness.recordings.record.quantity import QuantityRow, ValueOwner
from harness.wire.limits import OVERDRIVE, STANDARD, Limit, SpeedLimits


@dataclass(frozen=True, slots=True)
class _Looser:
    low: float | None = None
    high: float | None = None


_LOOSER = {
    False: {
        "reset low": _Looser(high=960),
        "slot length": _Looser(low=60),
        "write-1 low": _Looser(low=1),
        "read low": _Looser(low=1),
        "write-1 or read low": _Looser(low=1),
        "recovery": _Looser(low=1),
    },
    True: {
        "slot length": _Looser(low=6),
        "write-0 low": _Looser(low=5, high=16),
        "recovery": _Looser(low=1),
    },
}


def _row(name: str, side: ValueOwner, limit: Limit, *, overdrive: bool) -> QuantityRow:
    looser = _LOOSER[overdrive].get(name, _Looser())
    low, high = limit.low_us, limit.high_us
    return QuantityRow(
        name=name,
        side=side,
        overdrive=overdrive,
        low=low,
        high=high,
        loosest_low=low if looser.low is None else looser.low,
        loosest_high=high if looser.high is None else looser.high,
        source=limit.source,
    )


def _rows(limits: SpeedLimits, *, overdrive: bool) -> tuple[QuantityRow, ...]:
    # a read low is a write-1 low that no device lengthens: the tables give them alike
    zero = Limit(
        name="write-0 or read-0 low",
        low_us=limits.read_0_low.low_us,
        high_us=limits.write_0_low.high_us,
        source=f"{limits.read_0_low.source} {limits.write_0_low.source}",
    )
    rows = (
        ("reset low", ValueOwner.HOST, limits.reset_low),
        ("reset high", ValueOwner.HOST, limits.reset_high),
        ("presence wait", ValueOwner.DEVICE, limits.presence_wait),
        (ALONE, ValueOwner.DEVICE, limits.presence_low),
        (JOINT, ValueOwner.DEVICE, joint_limit(limits)),
        ("write-1 low", ValueOwner.HOST, limits.write_1_low),
        ("read low", ValueOwner.HOST, limits.write_1_low),
        ("write-1 or read low", ValueOwner.HOST, limits.write_1_low),
        ("write-0 low", ValueOwner.HOST, limits.write_0_low),
        ("zero hold", ValueOwner.DEVICE, limits.read_0_low),
        ("write-0 low or zero hold", ValueOwner.EITHER, zero),
        ("slot length", ValueOwner.HOST, limits.slot),
        ("recovery", ValueOwner.HOST, limits.recovery),
    )
    return tuple(_row(*row, overdrive=overdrive) for row in rows)


ROWS = {
    (row.name, row.overdrive): row
    for rows in (
        _rows(STANDARD, overdrive=False),
        _rows(OVERDRIVE, overdrive=True),
    )
    for row in rows
}
"""By name and speed (True is overdrive)."""

LONGEST_SLOT_US = {
    speed: 2 * (limits.write_0_low.high_us or 0.0)
    for speed, limits in ((False, STANDARD), (True, OVERDRIVE))
}
"""Falling edges further apart than this have a pause between them: the time is no
length of a slot (twice the longest low; our choice)."""

SLOWEST_SAMPLING_US = {False: 5.0, True: 1.0}
"""A low shorter than the sampling interval can be missed: at this interval the shortest
low that every device takes (``wire.limits``, write-1 low) is still seen."""
