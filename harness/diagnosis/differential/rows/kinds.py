"""Causes that a device's own register or a check's own numbers state: no inference.

They share no observable with another cause: what the register says is read, its CRC is
right, and nothing else sets that bit.
"""

from __future__ import annotations

from harness.diagnosis.differential.cause_row import CauseRow
from harness.diagnosis.finding import Cause

_STATED = (
    (Cause.CONFIGURATION, "oscillator-off", "the oscillator's bit"),
    (Cause.CONFIGURATION, "store-protected", "the protection bytes"),
    (Cause.CONFIGURATION, "store-row", "the row that the address lies in"),
    (Cause.SUPPLY, "store-dip", "the status of the store"),
    (Cause.SUPPLY, "outside-range", "the supply in force beside the data sheets"),
    (Cause.CONFIGURATION, "toggled", "the output's state by search"),
    (Cause.CONFIGURATION, "current-offset", "the mean of readings at no load"),
    (
        Cause.CONFIGURATION,
        "alarm-stale",
        "the alarm search before and after a conversion",
    ),
    (Cause.CONFIGURATION, "family-changed", "the fixture beside the search"),
    (Cause.HOST, "clock-step", "the host's wall clock beside its running time"),
    (Cause.CONFIGURATION, "unlisted", "the fixture beside the search"),
    (Cause.DEVICE, "clock-drift", "the rate against the host"),
    (Cause.CONFIGURATION, "off-sheet", "bytes that are always the same"),
)

KIND_ROWS = tuple(
    CauseRow(cause=cause, kind=kind, shows=frozenset(), would_show=what)
    for cause, kind, what in _STATED
)
"""Certain by themselves, unless the finding names what it cannot tell apart."""
