"""The whole characterisation: the line first, then every device.

Each value comes with a half width in which the true one lies and, where a limit is
published, with a margin. A value breaks its limit only beyond doubt, that is by more
than its half width; a margin that the half width eats up is called thin.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from math import isinf

from harness.driver.bus import Bus
from harness.timing import device as device_times
from harness.timing import line as line_times
from harness.timing.edges import Found, MeasuredEdge, NotMeasurable, Reach
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
    RESET_HIGH_LIMIT,
    SHORTEST_LOW_LIMIT,
    SLOT_PERIOD_LIMIT,
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


_RECOVERY_LIMIT = Limit(
    name="recovery",
    high_us=STANDARD.recovery.low_us,
    source=STANDARD.recovery.source,
)


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
        self._rise: MeasuredEdge | None = None
        self._rise_seen: Found | None = None
        self._edges: dict[tuple[Name, RomCode], Found] = {}

    @property
    def clock(self) -> Clockwork:
        """The adapter's clock, measured at first use."""
        if self._clock is None:
            self._clock = line_times.calibrate(self.bus)
        return self._clock

    @property
    def rise(self) -> MeasuredEdge:
        """The rise to the receiver's threshold, measured at first use.

        The receiver counts from when it saw the line fall, which is a little after
        the host began to pull: what it measures is the rise less that fall.
        """
        if self._rise is None:
            seen = self._seen_rise()
            if isinstance(seen, NotMeasurable):
                # anything up to the slowest line that can work
                half_us = line_times.LONGEST_RISE_US / 2
                seen = MeasuredEdge(value_us=half_us, half_width_us=half_us)
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

    def _seen_rise(self) -> Found:
        if self._rise_seen is None:
            self._rise_seen = line_times.rise_time(self.bus, self.clock)
        return self._rise_seen

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

    def from_device_rise(self, edge: MeasuredEdge) -> MeasuredEdge:
        """Counted from the line's rise to the devices' threshold, not from release."""
        rise_us, doubt_us = self.rise_to(DEVICE_HIGH_V)
        return edge.moved(-rise_us, more_half_width_us=doubt_us)

    def from_both_rises(self, edge: MeasuredEdge) -> MeasuredEdge:
        """As above for the end of a device's low, which itself is seen after a rise."""
        rise = self.rise
        return self.from_device_rise(edge).moved(
            -rise.value_us, more_half_width_us=rise.half_width_us
        )

    def to_sample(self, edge: MeasuredEdge) -> MeasuredEdge:
        """Longest write-1 low plus the rise to the device's threshold, less its fall."""
        rise_us, doubt_us = self.rise_to(DEVICE_HIGH_V)
        more_us = self.rise_to(DEVICE_HIGH_V + THRESHOLD_DOUBT_V)[0] - rise_us
        fall_us = self.device_fall_us
        return edge.moved(
            rise_us - fall_us,
            more_half_width_us=doubt_us + more_us + fall_us / 2 + FALL_DOUBT_US,
        )

    def to_hold(self, edge: MeasuredEdge) -> MeasuredEdge:
        """The end of a device's 0 without the rise after which the receiver sees it."""
        rise = self.rise
        return edge.moved(
            -rise.value_us,
            more_half_width_us=rise.half_width_us
            + self.device_fall_us / 2
            + FALL_DOUBT_US,
        )

    # -- line ----------------------------------------------------------------------

    def of_line(self, name: Name) -> Timing | NotMeasurable:
        """One quantity of the line, or why this adapter cannot measure it."""
        measure: dict[Name, Callable[[], Timing | NotMeasurable]] = {
            Name.CLOCK_ERROR: self._clock_error,
            Name.RISE_TIME: self._rise_time,
            Name.CAPACITANCE: self._capacitance,
            Name.PRESENCE_WAIT: self._presence_wait,
            Name.PRESENCE_END: self._presence_end,
            Name.RESET_HIGH: self._reset_high,
        }
        return measure[name]()

    def _clock_error(self) -> Timing | NotMeasurable:
        adapter = self.bus.adapter
        tolerance_ppm = adapter.grid.tolerance_ppm
        if not self.clock.measured:
            why = line_times.clock_beyond_reach(adapter.grid, adapter.max_burst)
            return NotMeasurable(
                reason=why or "round trips vary by more than its tolerance is worth"
            )
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

    def _rise_time(self) -> Timing | NotMeasurable:
        if isinstance(seen := self._seen_rise(), NotMeasurable):
            return seen
        one = self.bus.slots.one
        limit = Limit(
            name="rise",
            high_us=one.sample_us(0)[1] - one.low_us,
            source="slots in use: release to the latest sample of the first bit",
        )
        return timing_of(
            Name.RISE_TIME, self.rise, limit, f"to {RECEIVER_V} V, assumed"
        )

    def _capacitance(self) -> Timing | NotMeasurable:
        if isinstance(seen := self._seen_rise(), NotMeasurable):
            return seen
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

    def _presence_wait(self) -> Timing | NotMeasurable:
        edge = line_times.presence_wait(self.bus, self.clock)
        if isinstance(edge, NotMeasurable):
            return edge
        return timing_of(
            Name.PRESENCE_WAIT,
            self.from_device_rise(edge),
            STANDARD.presence_wait,
            "earliest of all devices; counted from the line's rise",
        )

    def _presence_end(self) -> Timing | NotMeasurable:
        edge = line_times.presence_end(self.bus, self.clock)
        if isinstance(edge, NotMeasurable):
            return edge
        return timing_of(
            Name.PRESENCE_END,
            self.from_both_rises(edge),
            presence_end_limit(STANDARD),
            "latest of all devices; counted from the line's rise",
        )

    def _reset_high(self) -> Timing | NotMeasurable:
        edge = line_times.reset_high(self.bus, self.clock, self._roms[0])
        if isinstance(edge, NotMeasurable):
            return edge
        return timing_of(
            Name.RESET_HIGH,
            edge,
            RESET_HIGH_LIMIT,
            "shortest after which slots are taken",
        )

    # -- devices -------------------------------------------------------------------

    def of_device(self, name: Name, rom: RomCode) -> Timing | NotMeasurable:
        """One quantity of a device, or why this adapter cannot measure it."""
        measure: dict[Name, Callable[[RomCode], Timing | NotMeasurable]] = {
            Name.LONGEST_WRITE_1: self._longest_write_1,
            Name.SAMPLE_INSTANT: self._sample_instant,
            Name.READ_0_HOLD: self._read_0_hold,
            Name.SHORTEST_LOW: self._shortest_low,
            Name.SLOT_PERIOD: self._slot_period,
            Name.RECOVERY: self._recovery,
        }
        return measure[name](rom)

    def _edge(self, name: Name, rom: RomCode, measure: Callable[[], Found]) -> Found:
        if (name, rom) not in self._edges:
            self._edges[name, rom] = measure()
        return self._edges[name, rom]

    def _isolated(self, rom: RomCode) -> Isolated:
        return Isolated(self.bus, rom, self._roms)

    def _write_1_edge(self, rom: RomCode) -> Found:
        return self._edge(
            Name.LONGEST_WRITE_1,
            rom,
            lambda: device_times.longest_write_1(self._isolated(rom), self.clock),
        )

    def _hold_edge(self, rom: RomCode) -> Found:
        return self._edge(
            Name.READ_0_HOLD,
            rom,
            lambda: device_times.read_0_hold(self._isolated(rom), self.clock),
        )

    def _longest_write_1(self, rom: RomCode) -> Timing | NotMeasurable:
        edge = self._write_1_edge(rom)
        if isinstance(edge, NotMeasurable):
            return edge
        used_us = self.bus.slots.one.low_us
        limit = Limit(
            name="write-1",
            low_us=used_us,
            source=f"the slots in use pull low for {used_us:.2f} us",
        )
        return timing_of(
            Name.LONGEST_WRITE_1,
            edge,
            limit,
            "longest low still taken for a 1; no assumption about thresholds",
        )

    def _sample_instant(self, rom: RomCode) -> Timing | NotMeasurable:
        edge = self._write_1_edge(rom)
        if isinstance(edge, NotMeasurable):
            return edge
        return timing_of(
            Name.SAMPLE_INSTANT,
            self.to_sample(edge),
            STANDARD.device_sample,
            f"longest write-1 low + rise to {DEVICE_HIGH_V} V, assumed",
        )

    def _read_0_hold(self, rom: RomCode) -> Timing | NotMeasurable:
        edge = self._hold_edge(rom)
        if isinstance(edge, NotMeasurable):
            return edge
        return timing_of(
            Name.READ_0_HOLD,
            self.to_hold(edge),
            STANDARD.read_0_low,
            "graded echoes of read-0 slots, the line's rise taken off",
        )

    def _shortest_low(self, rom: RomCode) -> Timing | NotMeasurable:
        edge = self._edge(
            Name.SHORTEST_LOW,
            rom,
            lambda: device_times.shortest_low(self._isolated(rom), self.clock),
        )
        if isinstance(edge, NotMeasurable):
            return edge
        return timing_of(
            Name.SHORTEST_LOW,
            edge.moved(0, more_half_width_us=FALL_DOUBT_US),
            SHORTEST_LOW_LIMIT,
            "shortest host low taken for a slot",
        )

    def _period_edge(self, rom: RomCode) -> Found:
        busy = (self._hold_edge(rom), self._write_1_edge(rom))
        from_us = max(
            device_times.SHORTEST_PERIOD_US,
            *(edge.value_us - 2 for edge in busy if isinstance(edge, MeasuredEdge)),
        )
        return self._edge(
            Name.SLOT_PERIOD,
            rom,
            lambda: device_times.shortest_period(
                self._isolated(rom), self.clock, from_us=from_us
            ),
        )

    def _slot_period(self, rom: RomCode) -> Timing | NotMeasurable:
        edge = self._period_edge(rom)
        if isinstance(edge, NotMeasurable):
            return edge
        return timing_of(
            Name.SLOT_PERIOD,
            edge,
            SLOT_PERIOD_LIMIT,
            "shortest from a read-0 to the next slot taken",
        )

    def _recovery(self, rom: RomCode) -> Timing | NotMeasurable:
        """High time between a read-0 and the next edge: period less the time held low.

        A device that samples after it released its 0 is busy until then, so its
        recovery only shows as a bound, which no limit can be held against. So it does
        where period or hold are bounds themselves.
        """
        measured = []
        for edge_of in (self._period_edge, self._hold_edge, self._write_1_edge):
            edge = edge_of(rom)
            if isinstance(edge, NotMeasurable):
                return edge
            measured.append(edge.interval_us)
        period, hold, write_1 = measured
        low_us, high_us = max(0.0, period[0] - hold[1]), period[1] - hold[0]
        if isinf(high_us):
            return NotMeasurable(
                reason="slot_period or read_0_hold lies beyond its reach"
            )
        bounded = MeasuredEdge(value_us=high_us, half_width_us=0.0, reach=Reach.BELOW)
        basis = "slot period less the time that the line was low"
        if hold[0] < write_1[1]:
            return timing_of(Name.RECOVERY, bounded, NO_LIMIT, basis)
        if period[0] == 0.0 or hold[0] == 0.0:
            return timing_of(Name.RECOVERY, bounded, _RECOVERY_LIMIT, basis)
        middle = MeasuredEdge(
            value_us=(low_us + high_us) / 2, half_width_us=(high_us - low_us) / 2
        )
        return timing_of(Name.RECOVERY, middle, _RECOVERY_LIMIT, basis)
