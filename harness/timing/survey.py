"""The whole characterisation: the line first, then every device.

Each value comes with a half width in which the true one lies and, where a limit is
published, with a margin. A value breaks its limit only beyond doubt, that is by more
than its half width; a margin that the half width eats up is called thin.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from harness.driver.bus import Bus
from harness.records import Bound
from harness.timing import device as device_times
from harness.timing import line as line_times
from harness.timing.edges import Edge
from harness.timing.isolation import Isolated
from harness.timing.ladders import Clockwork
from harness.timing.values import (
    BOUND_OF,
    DEVICE_HIGH_V,
    DEVICE_LOW_V,
    DEVICE_NAMES,
    FALL_DOUBT_US,
    LINE_NAMES,
    NO_LIMIT,
    OVERDRIVE_NAMES,
    RECEIVER_V,
    THRESHOLD_DOUBT_V,
    LineFacts,
    Name,
    Timing,
    presence_end_limit,
    timing_of,
)
from harness.wire.limits import STANDARD, Limit
from harness.wire.romcode import RomCode

__all__ = [
    "DEVICE_NAMES",
    "LINE_NAMES",
    "OVERDRIVE_NAMES",
    "LineFacts",
    "Name",
    "Survey",
    "Timing",
]


class Survey:
    """A characterisation in progress; what was measured once is kept.

    Args:
        bus: the bus, its adapter proved.
        line: the line as declared.
        roms: every device on the bus.
    """

    def __init__(self, bus: Bus, line: LineFacts, roms: Iterable[RomCode]) -> None:
        self.bus = bus
        self._line = line
        self._roms = tuple(roms)
        self._clock: Clockwork | None = None
        self._rise: Edge | None = None
        self._edges: dict[tuple[Name, RomCode], Edge] = {}

    @property
    def clock(self) -> Clockwork:
        """The adapter's clock, measured at first use."""
        if self._clock is None:
            self._clock = line_times.calibrate(self.bus)
        return self._clock

    @property
    def rise(self) -> Edge:
        """The rise to the receiver's threshold, measured at first use.

        The receiver counts from when it saw the line fall, which is a little after
        the host began to pull: what it measures is the rise less that fall.
        """
        if self._rise is None:
            seen = line_times.rise_time(self.bus, self.clock)
            line = self._line
            lost = line.fall_constants(RECEIVER_V) / line.rise_constants(RECEIVER_V)
            gain = lost / (1 - lost)
            early_us = (seen.value_us - seen.half_width_us) * (1 + gain / 2)
            late_us = (seen.value_us + seen.half_width_us) * (1 + gain * 3 / 2)
            self._rise = replace(
                seen,
                value_us=(early_us + late_us) / 2,
                half_width_us=(late_us - early_us) / 2,
            )
        return self._rise

    def rise_to(self, level_v: float) -> tuple[float, float]:
        """Rise to a level with its half width, from the measured one."""
        line = self._line
        ratio = line.rise_constants(level_v) / line.rise_constants(RECEIVER_V)
        return self.rise.value_us * ratio, self.rise.half_width_us * ratio

    @property
    def device_fall_us(self) -> float:
        """From the host's pull to the device seeing it."""
        line = self._line
        constants = line.fall_constants(DEVICE_LOW_V) / line.rise_constants(RECEIVER_V)
        return self.rise.value_us * constants

    # -- corrections for what the line does to an edge -------------------------------

    def from_device_rise(self, edge: Edge) -> Edge:
        """Counted from the line's rise to the devices' threshold, not from release."""
        rise_us, doubt_us = self.rise_to(DEVICE_HIGH_V)
        return edge.moved(-rise_us, more_half_width_us=doubt_us)

    def from_both_rises(self, edge: Edge) -> Edge:
        """As above for the end of a device's low, which itself is seen after a rise."""
        rise = self.rise
        return self.from_device_rise(edge).moved(
            -rise.value_us, more_half_width_us=rise.half_width_us
        )

    def to_sample(self, edge: Edge) -> Edge:
        """Longest write-1 low plus the rise to the device's threshold, less its fall."""
        rise_us, doubt_us = self.rise_to(DEVICE_HIGH_V)
        more_us = self.rise_to(DEVICE_HIGH_V + THRESHOLD_DOUBT_V)[0] - rise_us
        fall_us = self.device_fall_us
        return edge.moved(
            rise_us - fall_us,
            more_half_width_us=doubt_us + more_us + fall_us / 2 + FALL_DOUBT_US,
        )

    def to_hold(self, edge: Edge) -> Edge:
        """The end of a device's 0 without the rise after which the receiver sees it."""
        rise = self.rise
        return edge.moved(
            -rise.value_us,
            more_half_width_us=rise.half_width_us
            + self.device_fall_us / 2
            + FALL_DOUBT_US,
        )

    # -- line ----------------------------------------------------------------------

    def of_line(self, name: Name) -> Timing:
        """One quantity of the line."""
        measure: dict[Name, Callable[[], Timing]] = {
            Name.CLOCK_ERROR: self._clock_error,
            Name.RISE_TIME: self._rise_time,
            Name.CAPACITANCE: self._capacitance,
            Name.PRESENCE_WAIT: self._presence_wait,
            Name.PRESENCE_END: self._presence_end,
            Name.RESET_HIGH: self._reset_high,
        }
        return measure[name]()

    def _clock_error(self) -> Timing:
        tolerance_ppm = self.bus.adapter.grid.tolerance_ppm
        return Timing(
            name=Name.CLOCK_ERROR,
            value=self.clock.error_ppm,
            unit="ppm",
            uncertainty=self.clock.doubt_ppm,
            limit=Limit(
                name="clock",
                low_us=-tolerance_ppm,
                high_us=tolerance_ppm,
                source="the adapter's own tolerance",
            ),
            basis="a long burst against the host's clock",
        )

    def _rise_time(self) -> Timing:
        one = self.bus.slots.one
        limit = Limit(
            name="rise",
            high_us=one.sample_us(0)[1] - one.low_us,
            source="slots in use: release to the latest sample of the first bit",
        )
        return timing_of(
            Name.RISE_TIME, self.rise, limit, f"to {RECEIVER_V} V, assumed"
        )

    def _capacitance(self) -> Timing:
        line = self._line
        # us / ohm is uF; 1000 of that are nF
        per_us = 1e3 / (line.pull_up_ohm * line.rise_constants(RECEIVER_V))
        return Timing(
            name=Name.CAPACITANCE,
            value=self.rise.value_us * per_us,
            unit="nF",
            uncertainty=self.rise.half_width_us * per_us,
            bound=BOUND_OF[self.rise.reach],
            basis=f"t / (R ln((V-V0)/(V-{RECEIVER_V}))) with the declared {line.pull_up_ohm:g} ohm",
        )

    def _presence_wait(self) -> Timing:
        edge = line_times.presence_wait(self.bus, self.clock)
        return timing_of(
            Name.PRESENCE_WAIT,
            self.from_device_rise(edge),
            STANDARD.presence_wait,
            "earliest of all devices; counted from the line's rise",
        )

    def _presence_end(self) -> Timing:
        edge = line_times.presence_end(self.bus, self.clock)
        return timing_of(
            Name.PRESENCE_END,
            self.from_both_rises(edge),
            presence_end_limit(STANDARD),
            "latest of all devices; counted from the line's rise",
        )

    def _reset_high(self) -> Timing:
        edge = line_times.reset_high(self.bus, self.clock, self._roms[0])
        limit = Limit(name="reset high", high_us=480, source="S4 S6")
        return timing_of(
            Name.RESET_HIGH, edge, limit, "shortest after which slots are taken"
        )

    # -- devices -------------------------------------------------------------------

    def of_device(self, name: Name, rom: RomCode) -> Timing:
        """One quantity of a device."""
        measure: dict[Name, Callable[[RomCode], Timing]] = {
            Name.LONGEST_WRITE_1: self._longest_write_1,
            Name.SAMPLE_INSTANT: self._sample_instant,
            Name.READ_0_HOLD: self._read_0_hold,
            Name.SHORTEST_LOW: self._shortest_low,
            Name.SLOT_PERIOD: self._slot_period,
            Name.RECOVERY: self._recovery,
        }
        return measure[name](rom)

    def _edge(self, name: Name, rom: RomCode, measure: Callable[[], Edge]) -> Edge:
        if (name, rom) not in self._edges:
            self._edges[name, rom] = measure()
        return self._edges[name, rom]

    def _isolated(self, rom: RomCode) -> Isolated:
        return Isolated(self.bus, rom, self._roms)

    def _write_1_edge(self, rom: RomCode) -> Edge:
        return self._edge(
            Name.LONGEST_WRITE_1,
            rom,
            lambda: device_times.longest_write_1(self._isolated(rom), self.clock),
        )

    def _hold_edge(self, rom: RomCode) -> Edge:
        return self._edge(
            Name.READ_0_HOLD,
            rom,
            lambda: device_times.read_0_hold(self._isolated(rom), self.clock),
        )

    def _longest_write_1(self, rom: RomCode) -> Timing:
        used_us = self.bus.slots.one.low_us
        limit = Limit(
            name="write-1",
            low_us=used_us,
            source=f"the slots in use pull low for {used_us:.2f} us",
        )
        return timing_of(
            Name.LONGEST_WRITE_1,
            self._write_1_edge(rom),
            limit,
            "longest low still taken for a 1; no assumption about thresholds",
        )

    def _sample_instant(self, rom: RomCode) -> Timing:
        edge = self.to_sample(self._write_1_edge(rom))
        return timing_of(
            Name.SAMPLE_INSTANT,
            edge,
            STANDARD.device_sample,
            f"longest write-1 low + rise to {DEVICE_HIGH_V} V, assumed",
        )

    def _read_0_hold(self, rom: RomCode) -> Timing:
        edge = self.to_hold(self._hold_edge(rom))
        return timing_of(
            Name.READ_0_HOLD,
            edge,
            STANDARD.read_0_low,
            "graded echoes of read-0 slots, the line's rise taken off",
        )

    def _shortest_low(self, rom: RomCode) -> Timing:
        edge = self._edge(
            Name.SHORTEST_LOW,
            rom,
            lambda: device_times.shortest_low(self._isolated(rom), self.clock),
        )
        limit = Limit(
            name="shortest low", high_us=1.0, source="S4 S6: write-1 low from 1 us"
        )
        return timing_of(
            Name.SHORTEST_LOW,
            edge.moved(0, more_half_width_us=FALL_DOUBT_US),
            limit,
            "shortest host low taken for a slot",
        )

    def _period_edge(self, rom: RomCode) -> Edge:
        busy_us = max(self._hold_edge(rom).value_us, self._write_1_edge(rom).value_us)
        return self._edge(
            Name.SLOT_PERIOD,
            rom,
            lambda: device_times.shortest_period(
                self._isolated(rom), self.clock, from_us=max(20.0, busy_us - 2)
            ),
        )

    def _slot_period(self, rom: RomCode) -> Timing:
        limit = Limit(
            name="slot", high_us=STANDARD.slot.low_us, source=STANDARD.slot.source
        )
        return timing_of(
            Name.SLOT_PERIOD,
            self._period_edge(rom),
            limit,
            "shortest from a read-0 to the next slot taken",
        )

    def _recovery(self, rom: RomCode) -> Timing:
        """High time between a read-0 and the next edge: period less the time held low.

        A device that samples after it released its 0 is busy until then, so its
        recovery only shows as a bound, which no limit can be held against.
        """
        period, hold = self._period_edge(rom), self._hold_edge(rom)
        doubt_us = period.half_width_us + hold.half_width_us
        seen_us = max(0.0, period.value_us - hold.value_us)
        released_last = hold.value_us >= self._write_1_edge(rom).value_us
        limit = Limit(
            name="recovery",
            high_us=STANDARD.recovery.low_us,
            source=STANDARD.recovery.source,
        )
        return Timing(
            name=Name.RECOVERY,
            value=seen_us if released_last else seen_us + doubt_us,
            uncertainty=doubt_us if released_last else 0.0,
            limit=limit if released_last else NO_LIMIT,
            bound=None if released_last else Bound.AT_MOST,
            basis="slot period less the time that the line was low",
        )
