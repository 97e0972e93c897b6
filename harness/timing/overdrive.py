"""One device's times in overdrive.

Only that device is brought into overdrive (by its own match command), so whatever
answers there is it alone: its presence pulse can be measured like its slots. Clock and
rise of the line are those of the standard survey.

At 1 MBd the receiver's grid is 0.06 us; at the rates of an overdrive reset it is 0.4 to
1.7 us, which bounds how well the presence pulse can be known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from harness.driver.overdrive import overdrive
from harness.timing import device as device_times
from harness.timing import line as line_times
from harness.timing.edges import Found, MeasuredEdge, NotMeasurable
from harness.timing.isolation import Isolated
from harness.timing.ladders import Clockwork
from harness.timing.spans import OVERDRIVE_SPANS, Spans
from harness.timing.survey import Survey
from harness.timing.values import (
    DEVICE_HIGH_V,
    FALL_DOUBT_US,
    Name,
    Timing,
    presence_end_limit,
    timing_of,
)
from harness.wire.limits import OVERDRIVE, Limit
from harness.wire.romcode import RomCode

_Measure = Callable[[Isolated, Clockwork, Spans], Found]


def _presence_wait(device: Isolated, clock: Clockwork, spans: Spans) -> Found:
    return line_times.presence_wait(device.bus, clock, spans)


def _presence_end(device: Isolated, clock: Clockwork, spans: Spans) -> Found:
    return line_times.presence_end(device.bus, clock, spans)


_MEASURES: dict[Name, _Measure] = {
    Name.PRESENCE_WAIT: _presence_wait,
    Name.PRESENCE_END: _presence_end,
    Name.LONGEST_WRITE_1: device_times.longest_write_1,
    Name.SAMPLE_INSTANT: device_times.longest_write_1,
    Name.READ_0_HOLD: device_times.read_0_hold,
    Name.SHORTEST_LOW: device_times.shortest_low,
    Name.SLOT_PERIOD: device_times.shortest_twin,
}


class OverdriveSurvey:
    """A characterisation in overdrive; what was measured once is kept.

    Args:
        survey: the standard one, for bus, clock and rise.

    Attributes:
        standard: that one.
    """

    def __init__(self, survey: Survey) -> None:
        self.standard = survey
        self._edges: dict[tuple[_Measure, RomCode], Found] = {}
        self._write_1_us = 0.0

    def of_device(self, name: Name, rom: RomCode) -> Timing | NotMeasurable:
        """One quantity of a device, or why this adapter cannot measure it.

        Raises:
            CannotOverdrive: adapter or line are too slow.
            NobodyAnswers: the device does not answer in overdrive.
            LineError, AdapterError: as the bus says.
        """
        # both are measured at standard speed, at first use
        clock, _ = self.standard.clock, self.standard.rise
        measure = _MEASURES[name]
        if (measure, rom) not in self._edges:
            bus = self.standard.bus
            with overdrive(bus, rom):
                self._write_1_us = bus.slots.one.low_us
                self._edges[measure, rom] = measure(
                    Isolated(bus, rom, ()), clock, OVERDRIVE_SPANS
                )
        found = self._edges[measure, rom]
        return found if isinstance(found, NotMeasurable) else self._judge(name, found)

    def _judge(self, name: Name, edge: MeasuredEdge) -> Timing:
        survey = self.standard
        judge: dict[Name, Callable[[MeasuredEdge], tuple[MeasuredEdge, Limit, str]]] = {
            Name.PRESENCE_WAIT: lambda e: (
                survey.from_device_rise(e),
                OVERDRIVE.presence_wait,
                "counted from the line's rise",
            ),
            Name.PRESENCE_END: lambda e: (
                survey.from_both_rises(e),
                presence_end_limit(OVERDRIVE),
                "counted from the line's rise",
            ),
            Name.LONGEST_WRITE_1: lambda e: (
                e,
                self._used_low(),
                "longest low still taken for a 1; no assumption about thresholds",
            ),
            Name.SAMPLE_INSTANT: lambda e: (
                survey.to_sample(e),
                OVERDRIVE.device_sample,
                f"longest write-1 low + rise to {DEVICE_HIGH_V} V, assumed",
            ),
            Name.READ_0_HOLD: lambda e: (
                survey.to_hold(e),
                OVERDRIVE.read_0_low,
                "graded echoes of read-0 slots, the line's rise taken off",
            ),
            Name.SHORTEST_LOW: lambda e: (
                e.moved(0, more_half_width_us=FALL_DOUBT_US),
                replace(
                    OVERDRIVE.write_1_low,
                    name="shortest low",
                    low_us=None,
                    high_us=OVERDRIVE.write_1_low.low_us,
                ),
                "shortest host low taken for a slot",
            ),
            Name.SLOT_PERIOD: lambda e: (
                e,
                replace(OVERDRIVE.slot, low_us=None, high_us=OVERDRIVE.slot.low_us),
                "shortest from a read-0 to the next slot taken",
            ),
        }
        found, limit, basis = judge[name](edge)
        return timing_of(name, found, limit, basis, in_overdrive=True)

    def _used_low(self) -> Limit:
        low_us = self._write_1_us
        return Limit(
            name="write-1",
            low_us=low_us,
            source=f"the slots in use pull low for {low_us:.2f} us",
        )
