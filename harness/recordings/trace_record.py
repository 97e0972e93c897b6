"""Everything that a recording shows, judged: what all reports of it are made from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.recordings.decoding.transactions import BusTransaction, RomUse
from harness.recordings.record.quantity import Instant, JudgedQuantity, LimitStanding
from harness.recordings.record.shown import (
    AnalogFacts,
    Interruption,
    SeenDevice,
    SlotView,
    TraceVerdict,
    WrongAt,
)
from harness.wire.romcode import RomCode


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceRecord:
    """Everything that a recording shows.

    Attributes:
        channel: the channel that was read.
        others: channels that were not.
        notes: what a reader of the verdict should know.
        duration_s: from the first to the last time in the file.
        edges: changes of level.
        interval_us: sampling interval, or the resolution of the times.
        doubt_us: half width of what is known of each time.
        analog: levels and thresholds, None where levels were recorded.
        resets: number of resets.
        answered: resets with a presence pulse.
        slots: number of slots.
        glitches: lows that cannot be slots.
        neithers: lows that are neither slot, reset nor presence.
        odd_lows: the first thousand of both, with their lengths in us.
        spikes: short highs within lows that were passed over.
        roms: ROM codes seen, with how each was seen first.
        devices: the same with what was counted of each.
        transactions: the first 5,000.
        transaction_count: all of them.
        checks: CRCs that hold.
        wrong: the first thousand things that are wrong.
        wrong_count: all of them.
        refused: the first thousand stores that a device did not confirm.
        interruptions: the first thousand transactions that another host's reset seems
            to end.
        quantities: each quantity, judged.
        views: the line around the worst value of each quantity.
        start_s: the first time in the file.
        activity: lows in each of equal stretches of the recording.
        stretch_s: length of such a stretch.
        active_from_s: when the first one begins.
        reasons: why the recording cannot tell; empty if it can.
        unjudged: why nothing is judged, such as lows that can be missing; empty if it is.
        lows_us: beginnings and ends of all lows, where they were asked for.
        between_us: beginnings and ends of all stretches in which a receiver may take the
            line either way, where they were asked for and volts were recorded.
    """

    channel: str
    others: tuple[str, ...]
    notes: tuple[str, ...]
    duration_s: float
    edges: int
    interval_us: float
    doubt_us: float
    analog: AnalogFacts | None
    resets: int
    answered: int
    slots: int
    glitches: int
    neithers: int
    odd_lows: tuple[Instant, ...]
    spikes: int
    roms: tuple[tuple[RomCode, RomUse], ...]
    devices: tuple[SeenDevice, ...]
    transactions: tuple[BusTransaction, ...]
    transaction_count: int
    checks: int
    wrong: tuple[WrongAt, ...]
    wrong_count: int
    refused: tuple[WrongAt, ...]
    interruptions: tuple[Interruption, ...]
    quantities: tuple[JudgedQuantity, ...]
    views: tuple[SlotView, ...]
    start_s: float
    activity: tuple[int, ...]
    stretch_s: float
    active_from_s: float
    reasons: tuple[str, ...]
    unjudged: str = ""
    lows_us: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None
    between_us: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None

    @property
    def verdict(self) -> TraceVerdict:
        """Outside before cannot tell before within."""
        standings = {quantity.standing for quantity in self.quantities}
        if self.wrong_count or LimitStanding.OUTSIDE in standings:
            return TraceVerdict.OUTSIDE
        if self.reasons or LimitStanding.CANNOT_TELL in standings:
            return TraceVerdict.CANNOT_TELL
        return TraceVerdict.WITHIN
