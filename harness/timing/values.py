"""What the instrument measures: names, the line's declared facts, a value with its doubt.

Thresholds are assumptions, stated with each value that needs them: the adapter's
receiver at 1.5 V (common practice for TTL inputs, no source), a device's rising
threshold at 2.2 V (data sheet family 28h, p. 19, logic high).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import ceil, floor, log

from harness.digits import limits_text, number_text, quantity_text
from harness.records import Bound, Measurement, Side
from harness.timing.edges import MeasuredEdge, Reach
from harness.wire.circuit import OPEN_DRAIN
from harness.wire.limits import STANDARD, Limit, SpeedLimits

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
    RECOVERY = "recovery"


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
    Name.RECOVERY,
)

OVERDRIVE_NAMES = (
    Name.PRESENCE_WAIT,
    Name.PRESENCE_END,
    *(name for name in DEVICE_NAMES if name is not Name.RECOVERY),
)
"""What is measured of a device in overdrive, where it is alone on the line."""

_FROM_ZERO = (Name.RISE_TIME, Name.CAPACITANCE, Name.RECOVERY)
"""Quantities that start at zero: 0.2 +- 0.2 us of rise is at most 0.4 us."""

NO_LIMIT = Limit(name="", source="")

SHORTEST_LOW_LIMIT = Limit(
    name="shortest low", high_us=1.0, source="S4 S6: write-1 low from 1 us"
)
RESET_HIGH_LIMIT = Limit(name="reset high", high_us=480, source="S4 S6")
SLOT_PERIOD_LIMIT = Limit(
    name="slot", high_us=STANDARD.slot.low_us, source=STANDARD.slot.source
)
"""Limits that are the most a device may need."""


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


class Standing(StrEnum):
    """What a measured time says of its limits.

    ``MET`` and ``BROKEN`` are beyond doubt. ``PARTLY``: a bound that meets one side and
    says nothing about the other. ``OPEN``: the doubt reaches the limit, or a bound says
    about none. ``FREE``: there is no limit.
    """

    FREE = "free"
    MET = "met"
    PARTLY = "partly"
    OPEN = "open"
    BROKEN = "broken"


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """One measured time.

    Attributes:
        name: quantity.
        value: in ``unit``; for a bound, the bound.
        unit: us, ppm or nF.
        uncertainty: half width, 0 for a bound.
        limit: published limit; empty where there is none.
        bound: on which side of ``value`` the true value lies; None if it is ``value``.
        blur_us: from nearly never to nearly always.
        probes: probe points that it took.
        basis: formula or assumption, for the reader.
        in_overdrive: True if it was measured there.
    """

    name: Name
    value: float
    unit: str = "us"
    uncertainty: float = 0.0
    limit: Limit = NO_LIMIT
    bound: Bound | None = None
    blur_us: float = 0.0
    probes: int = 0
    basis: str = ""
    in_overdrive: bool = False

    @property
    def label(self) -> str:
        """Name in reports: those of overdrive say so."""
        return f"overdrive_{self.name}" if self.in_overdrive else str(self.name)

    @property
    def margin_us(self) -> float | None:
        """Distance to the nearer limit; negative beyond it; None without a limit.

        Of a bound only the limits count that it can be held against.
        """
        return self.as_measurement().margin

    @property
    def broken(self) -> bool:
        """True if the limit is missed beyond doubt."""
        return not self.as_measurement().holds

    @property
    def thin(self) -> bool:
        """True if the half width reaches the limit."""
        margin_us = self.margin_us
        return margin_us is not None and not self.bound and margin_us < self.uncertainty

    @property
    def standing(self) -> Standing:
        """What the value says of its limits."""
        measured = self.as_measurement()
        sides = {measured.low_side, measured.high_side} - {None}
        if not sides:
            return Standing.FREE
        if Side.MISSED in sides:
            return Standing.BROKEN
        if self.thin or sides == {Side.OPEN}:
            return Standing.OPEN
        return Standing.PARTLY if Side.OPEN in sides else Standing.MET

    @property
    def open_text(self) -> str:
        """Limits that the value cannot be judged by, for a message; empty if all."""
        standing, measured = self.standing, self.as_measurement()
        if standing not in {Standing.OPEN, Standing.PARTLY}:
            return ""
        low_us, high_us = measured.low, measured.high
        if self.bound:
            low_us = low_us if measured.low_side is Side.OPEN else None
            high_us = high_us if measured.high_side is Side.OPEN else None
        limits = limits_text(low_us, high_us)
        return (
            f"{self.label} is {quantity_text(measured)}, its limit {limits} {self.unit}"
        )

    def as_measurement(self) -> Measurement:
        """As it goes to the journal."""
        value, bound = self.value, self.bound
        if bound is None and self._reaches_zero:
            value, bound = value + self.uncertainty, Bound.AT_MOST
        return Measurement(
            name=self.label,
            value=_kept(value, bound),
            unit=self.unit,
            low=self.limit.low_us,
            high=self.limit.high_us,
            uncertainty=None if bound else round(self.uncertainty, 4),
            bound=bound,
            beyond_doubt=True,
        )

    @property
    def _reaches_zero(self) -> bool:
        """True if nothing but an upper end is known: this cannot be negative.

        By the digits that are printed: ``2.6 +- 2.6`` is an upper end too.
        """
        if self.name not in _FROM_ZERO or not self.uncertainty:
            return False
        doubt = self.uncertainty
        return self.value <= doubt or number_text(self.value, doubt) == number_text(
            doubt, doubt
        )


BOUND_OF = {
    Reach.INSIDE: None,
    Reach.BELOW: Bound.AT_MOST,
    Reach.ABOVE: Bound.AT_LEAST,
}


def _kept(value: float, bound: Bound | None) -> float:
    """Four decimals; a bound is rounded away from what it bounds."""
    if bound is None:
        return round(value, 4)
    away = ceil if bound is Bound.AT_MOST else floor
    return away(round(value * 1e4, 6)) / 1e4


def timing_of(
    name: Name,
    edge: MeasuredEdge,
    limit: Limit = NO_LIMIT,
    basis: str = "",
    *,
    in_overdrive: bool = False,
) -> Timing:
    """A measured edge as a value of the survey; what a bound leaves open widens it."""
    doubt_us = edge.half_width_us
    widened_us = {Reach.BELOW: doubt_us, Reach.ABOVE: -doubt_us}.get(edge.reach)
    return Timing(
        name=name,
        value=edge.value_us + (widened_us or 0.0),
        uncertainty=doubt_us if widened_us is None else 0.0,
        limit=limit,
        bound=BOUND_OF[edge.reach],
        blur_us=edge.blur_us,
        probes=edge.probes,
        basis=basis,
        in_overdrive=in_overdrive,
    )


def presence_end_limit(limits: SpeedLimits) -> Limit:
    """From release to the end of presence: wait and pulse together."""
    wait, low = limits.presence_wait, limits.presence_low
    sides = (wait.low_us, wait.high_us, low.low_us, low.high_us)
    shortest_us, longest_us, narrow_us, wide_us = (side or 0.0 for side in sides)
    return Limit(
        name="presence end",
        low_us=shortest_us + narrow_us,
        high_us=longest_us + wide_us,
        source=f"{wait.source}: wait {shortest_us:g}..{longest_us:g} and low "
        f"{narrow_us:g}..{wide_us:g} together",
    )
