"""The whole characterisation: the line first, then every device.

Each value comes with a half width in which the true one lies and, where a limit is
published, with a margin. A value breaks its limit only beyond doubt, that is by more
than its half width; a margin that the half width eats up is called thin.

Thresholds are assumptions, stated with each value that needs them: the adapter's
receiver at 1.5 V (common practice for TTL inputs, no source), a device's rising
threshold at 2.2 V (data sheet family 28h, p. 19, logic high).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from math import log

from harness.driver.bus import Bus
from harness.records import Measurement
from harness.timing import device as device_times
from harness.timing import line as line_times
from harness.timing.edges import Edge, Reach
from harness.timing.isolation import Isolated
from harness.timing.ladders import Clockwork
from harness.wire.circuit import OPEN_DRAIN
from harness.wire.limits import STANDARD, Limit
from harness.wire.romcode import RomCode

RECEIVER_V = 1.5
DEVICE_HIGH_V = 2.2
THRESHOLD_DOUBT_V = 0.1
"""How far the assumed device threshold may be off."""

DEVICE_LOW_V = 0.8
"""Falling threshold of a device (same sheet, logic low)."""

STAGE_OHM = OPEN_DRAIN.stage_ohm
"""Resistance of the host's output stage, assumed; half of what hangs on it is doubt."""

FALL_DOUBT_US = 0.05
"""What is left unknown of a fall after its correction, at the least."""


class Name(StrEnum):
    """Every quantity of a survey."""

    CLOCK_ERROR = "clock_error"
    RISE_TIME = "rise_time"
    CAPACITANCE = "capacitance"
    PRESENCE_WAIT = "presence_wait"
    PRESENCE_END = "presence_end"
    RESET_HIGH = "reset_high"
    LONGEST_WRITE_1 = "longest_write_1"
    SAMPLE_INSTANT = "sample_instant"
    READ_0_HOLD = "read_0_hold"
    SHORTEST_LOW = "shortest_low"
    SLOT_PERIOD = "slot_period"


LINE_NAMES = (
    Name.CLOCK_ERROR,
    Name.RISE_TIME,
    Name.CAPACITANCE,
    Name.PRESENCE_WAIT,
    Name.PRESENCE_END,
    Name.RESET_HIGH,
)
DEVICE_NAMES = (
    Name.LONGEST_WRITE_1,
    Name.SAMPLE_INSTANT,
    Name.READ_0_HOLD,
    Name.SHORTEST_LOW,
    Name.SLOT_PERIOD,
)

_NO_LIMIT = Limit(name="", source="")


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFacts:
    """The line as the fixture declares it, and how its edges hang together.

    With stage and pull-up as a divider the line falls towards V0 with (Rs || R) C and
    rises from there with R C; so every fall and rise is a known multiple of one of
    them, whatever C is.
    """

    pull_up_ohm: float
    supply_v: float

    @property
    def low_v(self) -> float:
        """V0, the level that the host's stage reaches."""
        return self.supply_v * STAGE_OHM / (STAGE_OHM + self.pull_up_ohm)

    def rise_constants(self, to_v: float) -> float:
        """Rise to a level in units of R C: ln((V - V0) / (V - level))."""
        return log((self.supply_v - self.low_v) / (self.supply_v - to_v))

    def fall_constants(self, to_v: float) -> float:
        """Fall to a level in units of R C."""
        share = STAGE_OHM / (STAGE_OHM + self.pull_up_ohm)
        return share * log((self.supply_v - self.low_v) / (to_v - self.low_v))


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """One measured time.

    Attributes:
        name: quantity.
        value: in ``unit``; for a bound, the bound.
        unit: us, ppm or nF.
        uncertainty: half width, 0 for a bound.
        limit: published limit; empty where there is none.
        bound: ``""`` for a value, ``at most`` or ``at least`` for a bound.
        blur_us: from nearly never to nearly always.
        probes: probe points that it took.
        basis: formula or assumption, for the reader.
    """

    name: Name
    value: float
    unit: str = "us"
    uncertainty: float = 0.0
    limit: Limit = _NO_LIMIT
    bound: str = ""
    blur_us: float = 0.0
    probes: int = 0
    basis: str = ""

    @property
    def margin_us(self) -> float | None:
        """Distance to the nearer limit; negative beyond it; None without a limit."""
        sides = []
        if self.limit.low_us is not None:
            sides.append(self.value - self.limit.low_us)
        if self.limit.high_us is not None:
            sides.append(self.limit.high_us - self.value)
        return min(sides, default=None)

    @property
    def broken(self) -> bool:
        """True if the limit is missed beyond doubt."""
        margin_us = self.margin_us
        if self.bound == "at most":
            # only known to be small: the low limit cannot be judged
            high_us = self.limit.high_us
            low_us = self.limit.low_us
            return low_us is not None and self.value < low_us and high_us is not None
        return margin_us is not None and margin_us < -self.uncertainty

    @property
    def thin(self) -> bool:
        """True if the half width reaches the limit."""
        margin_us = self.margin_us
        return margin_us is not None and not self.bound and margin_us < self.uncertainty

    def as_measurement(self) -> Measurement:
        """As it goes to the journal."""
        return Measurement(
            name=self.name,
            value=round(self.value, 4),
            unit=self.unit,
            low=None if self.bound == "at most" else self.limit.low_us,
            high=None if self.bound == "at least" else self.limit.high_us,
            uncertainty=round(self.uncertainty, 4),
            beyond_doubt=True,
        )

    def as_evidence(self) -> dict[str, object]:
        """What the measurement does not carry, for pictures and readers."""
        return {
            "bound": self.bound,
            "blur_us": round(self.blur_us, 4),
            "probes": self.probes,
            "basis": self.basis,
            "source": self.limit.source,
            "thin": self.thin,
        }


_BOUND_OF = {Reach.INSIDE: "", Reach.BELOW: "at most", Reach.ABOVE: "at least"}


def _timing(
    name: Name, edge: Edge, limit: Limit = _NO_LIMIT, basis: str = ""
) -> Timing:
    return Timing(
        name=name,
        value=edge.value_us,
        uncertainty=edge.half_width_us,
        limit=limit,
        bound=_BOUND_OF[edge.reach],
        blur_us=edge.blur_us,
        probes=edge.probes,
        basis=basis,
    )


class Survey:
    """A characterisation in progress; what was measured once is kept.

    Args:
        bus: the bus, its adapter proved.
        line: the line as declared.
        roms: every device on the bus.
    """

    def __init__(self, bus: Bus, line: LineFacts, roms: Iterable[RomCode]) -> None:
        self._bus = bus
        self._line = line
        self._roms = tuple(roms)
        self._clock: Clockwork | None = None
        self._rise: Edge | None = None
        self._edges: dict[tuple[Name, RomCode], Edge] = {}

    @property
    def clock(self) -> Clockwork:
        """The adapter's clock, measured at first use."""
        if self._clock is None:
            self._clock = line_times.calibrate(self._bus)
        return self._clock

    @property
    def rise(self) -> Edge:
        """The rise to the receiver's threshold, measured at first use.

        The receiver counts from when it saw the line fall, which is a little after
        the host began to pull: what it measures is the rise less that fall.
        """
        if self._rise is None:
            seen = line_times.rise_time(self._bus, self.clock)
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

    def _rise_to(self, level_v: float) -> tuple[float, float]:
        """Rise to a level with its half width, from the measured one."""
        line = self._line
        ratio = line.rise_constants(level_v) / line.rise_constants(RECEIVER_V)
        return self.rise.value_us * ratio, self.rise.half_width_us * ratio

    @property
    def _device_fall_us(self) -> float:
        """From the host's pull to the device seeing it."""
        line = self._line
        constants = line.fall_constants(DEVICE_LOW_V) / line.rise_constants(RECEIVER_V)
        return self.rise.value_us * constants

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
        tolerance_ppm = self._bus.adapter.grid.tolerance_ppm
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
        one = self._bus.slots.one
        limit = Limit(
            name="rise",
            high_us=one.sample_us(0)[1] - one.low_us,
            source="slots in use: release to the latest sample of the first bit",
        )
        return _timing(Name.RISE_TIME, self.rise, limit, f"to {RECEIVER_V} V, assumed")

    def _capacitance(self) -> Timing:
        line = self._line
        # us / ohm is uF; 1000 of that are nF
        per_us = 1e3 / (line.pull_up_ohm * line.rise_constants(RECEIVER_V))
        return Timing(
            name=Name.CAPACITANCE,
            value=self.rise.value_us * per_us,
            unit="nF",
            uncertainty=self.rise.half_width_us * per_us,
            bound=_BOUND_OF[self.rise.reach],
            basis=f"t / (R ln((V-V0)/(V-{RECEIVER_V}))) with the declared {line.pull_up_ohm:g} ohm",
        )

    def _presence_wait(self) -> Timing:
        edge = line_times.presence_wait(self._bus, self.clock)
        rise_us, doubt_us = self._rise_to(DEVICE_HIGH_V)
        return _timing(
            Name.PRESENCE_WAIT,
            edge.moved(-rise_us, more_half_width_us=doubt_us),
            STANDARD.presence_wait,
            "earliest of all devices; counted from the line's rise",
        )

    def _presence_end(self) -> Timing:
        edge = line_times.presence_end(self._bus, self.clock)
        wait, low = STANDARD.presence_wait, STANDARD.presence_low
        assert wait.low_us is not None
        assert wait.high_us is not None
        assert low.low_us is not None
        assert low.high_us is not None
        limit = Limit(
            name="presence end",
            low_us=wait.low_us + low.low_us,
            high_us=wait.high_us + low.high_us,
            source="S1 S6: wait 15..60 and low 60..240 together",
        )
        # the line rises twice: at the host's release to the devices' threshold, and
        # at their own to the receiver's
        rise_us, doubt_us = self._rise_to(DEVICE_HIGH_V)
        return _timing(
            Name.PRESENCE_END,
            edge.moved(
                -rise_us - self.rise.value_us,
                more_half_width_us=doubt_us + self.rise.half_width_us,
            ),
            limit,
            "latest of all devices; counted from the line's rise",
        )

    def _reset_high(self) -> Timing:
        edge = line_times.reset_high(self._bus, self.clock, self._roms[0])
        limit = Limit(name="reset high", high_us=480, source="S4 S6")
        return _timing(
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
        }
        return measure[name](rom)

    def _edge(self, name: Name, rom: RomCode, measure: Callable[[], Edge]) -> Edge:
        if (name, rom) not in self._edges:
            self._edges[name, rom] = measure()
        return self._edges[name, rom]

    def _isolated(self, rom: RomCode) -> Isolated:
        return Isolated(self._bus, rom, self._roms)

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
        used_us = self._bus.slots.one.low_us
        limit = Limit(
            name="write-1",
            low_us=used_us,
            source=f"the slots in use pull low for {used_us:.2f} us",
        )
        return _timing(
            Name.LONGEST_WRITE_1,
            self._write_1_edge(rom),
            limit,
            "longest low still taken for a 1; no assumption about thresholds",
        )

    def _sample_instant(self, rom: RomCode) -> Timing:
        """Longest write-1 low plus the rise to the device's threshold, less its fall."""
        rise_us, doubt_us = self._rise_to(DEVICE_HIGH_V)
        more_us = self._rise_to(DEVICE_HIGH_V + THRESHOLD_DOUBT_V)[0] - rise_us
        fall_us = self._device_fall_us
        edge = self._write_1_edge(rom).moved(
            rise_us - fall_us,
            more_half_width_us=doubt_us + more_us + fall_us / 2 + FALL_DOUBT_US,
        )
        return _timing(
            Name.SAMPLE_INSTANT,
            edge,
            STANDARD.device_sample,
            f"longest write-1 low + rise to {DEVICE_HIGH_V} V, assumed",
        )

    def _read_0_hold(self, rom: RomCode) -> Timing:
        edge = self._hold_edge(rom).moved(
            -self.rise.value_us,
            more_half_width_us=self.rise.half_width_us
            + self._device_fall_us / 2
            + FALL_DOUBT_US,
        )
        return _timing(
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
        return _timing(
            Name.SHORTEST_LOW,
            edge.moved(0, more_half_width_us=FALL_DOUBT_US),
            limit,
            "shortest host low taken for a slot",
        )

    def _slot_period(self, rom: RomCode) -> Timing:
        busy_us = max(self._hold_edge(rom).value_us, self._write_1_edge(rom).value_us)
        edge = self._edge(
            Name.SLOT_PERIOD,
            rom,
            lambda: device_times.shortest_period(
                self._isolated(rom), self.clock, from_us=max(20.0, busy_us - 2)
            ),
        )
        limit = Limit(
            name="slot", high_us=STANDARD.slot.low_us, source=STANDARD.slot.source
        )
        return _timing(
            Name.SLOT_PERIOD,
            edge,
            limit,
            "shortest from a read-0 to the next slot taken",
        )
