"""The bench as an examination found it, put back when that is over.

A probe may shorten bursts, fit slots to a slow line, change the speed or switch the
supply. What follows in the same run was set up for the bench as it was: whatever an
examination learns is told as a finding, with the line of the fixture that makes use of
it, and changes nothing by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress

from harness.driver.bus import Bus
from harness.driver.overdrive import leave_overdrive
from harness.errors import SlotproofError


@contextmanager
def left_as_found(bus: Bus) -> Iterator[None]:
    """Put the settings of bus and adapter back on the way out, whatever happens.

    Settings are the frames in use, the speed, the longest burst and the switches. An
    examination begins and ends at standard speed: its resets end overdrive, so that a
    bus that was in overdrive is not put back there, where no device would follow.

    Args:
        bus: the open bus.
    """
    adapter = bus.adapter
    if bus.is_overdrive:
        with suppress(SlotproofError):
            leave_overdrive(bus)
    slots, reset_frame = bus.slots, bus.reset_frame
    max_burst, switches = adapter.max_burst, adapter.switches
    try:
        yield
    finally:
        bus.use_standard()
        bus.slots, bus.reset_frame = slots, reset_frame
        adapter.max_burst = max_burst
        if adapter.switches != switches and adapter.port is not None:
            supply, strong_pull_up = switches
            with suppress(SlotproofError):
                adapter.switch(supply=supply, strong_pull_up=strong_pull_up)
