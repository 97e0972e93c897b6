"""Faults of the line: wiring, edges, levels, noise, and others who talk on it."""

from __future__ import annotations

from enum import StrEnum
from typing import Literal

from pydantic import Field

from harness.simulation.faults.base import DeviceFault, TimedFault
from harness.simulation.settings.base import HexBytes


class Polarity(StrEnum):
    """Direction of a disturbance on the line."""

    UP = "up"
    DOWN = "down"
    BOTH = "both"


class ShortedLineFault(TimedFault):
    """Data line shorted to ground."""

    kind: Literal["line-shorted"]
    short_ohm: float = Field(default=1.0, gt=0, le=1e4, description="of the short")


class LineStuckHigh(TimedFault):
    """Data line tied to the supply."""

    kind: Literal["line-stuck-high"]
    source_ohm: float = Field(default=1.0, gt=0, le=1e4, description="of the tie")


class WeakPullUp(TimedFault):
    """Another pull-up resistor than the fixture says."""

    kind: Literal["weak-pull-up"]
    pull_up_ohm: float = Field(default=47_000, gt=0, le=1e7, description="instead")


class ExtraCapacitance(TimedFault):
    """More cable, or water in it."""

    kind: Literal["extra-capacitance"]
    extra_nf: float = Field(default=4.0, gt=0, le=1000, description="in addition")


class BitFlips(TimedFault):
    """A spike hits the line at the moment in which a slot is sampled."""

    kind: Literal["bit-flips"]
    probability: float = Field(gt=0, le=1, description="chance a character")
    polarity: Polarity = Field(default=Polarity.BOTH, description="of the spikes")
    width_us: float = Field(default=3.0, gt=0, le=1000, description="of a spike")


class NoiseBurst(TimedFault):
    """Spikes at random times, induced into the cable."""

    kind: Literal["noise-burst"]
    rate_per_s: float = Field(default=2000, gt=0, le=1e6, description="mean rate")
    amplitude_v: float = Field(default=3.0, gt=0, le=100, description="of a spike")
    width_us: float = Field(default=2.0, gt=0, le=1000, description="of a spike")
    polarity: Polarity = Field(default=Polarity.BOTH, description="of the spikes")


class LiftedLow(TimedFault):
    """The adapter's stage pulls to too high a level, as through a silicon diode."""

    kind: Literal["lifted-low"]
    low_v: float = Field(default=1.0, ge=0, le=5, description="level of its lows")


class BranchSide(StrEnum):
    """Whose ground is lifted against the other's."""

    ADAPTER = "adapter"
    DEVICES = "devices"


class GroundLift(DeviceFault):
    """A current through shared ground wire lifts one side's ground against the other.

    That side's lows and thresholds lie higher by resistance times current.
    """

    kind: Literal["ground-lift"]
    side: BranchSide = Field(
        default=BranchSide.ADAPTER, description="whose ground is lifted"
    )
    ohm: float = Field(default=30, gt=0, le=1e5, description="of the shared wire")
    current_ma: float = Field(default=30, gt=0, le=1e5, description="through it")

    @property
    def lift_v(self) -> float:
        """By how much."""
        return self.ohm * self.current_ma / 1000


class BranchDips(DeviceFault):
    """Reflections of a star network dent the rising edge in one branch.

    An opportunity is each release of the line by the adapter.
    """

    kind: Literal["branch-dips"]
    dip_v: float = Field(default=1.2, gt=0, le=12, description="depth")
    dip_us: float = Field(default=0.8, gt=0, le=100, description="length")
    after_us: float = Field(default=1.1, ge=0, le=100, description="from the release")
    probability: float = Field(default=0.02, gt=0, le=1, description="chance a release")


class Leakage(TimedFault):
    """Inputs leak to ground, the more the hotter they are."""

    kind: Literal["leakage"]
    per_device_ua: float = Field(
        default=5.0, gt=0, le=1e4, description="of each device at at_degc"
    )
    at_degc: float = Field(default=25.0, ge=-60, le=150, description="see above")
    doubles_every_k: float = Field(default=10.0, gt=0, le=100, description="hotter")
    otherwise_degc: float = Field(
        default=25.0,
        ge=-60,
        le=150,
        description="of devices that have no temperature of their own",
    )


class ThermostatOutput(TimedFault):
    """A thermostat in stand-alone mode: its data pin is its alarm output."""

    kind: Literal["thermostat-output"]
    temperature_degc: float = Field(
        default=31.0, ge=-60, le=150, description="its own, at the start"
    )
    trip_degc: float = Field(
        default=25.0, ge=-60, le=150, description="it pulls low while hotter"
    )
    cools_k_per_min: float = Field(
        default=0.0, ge=0, le=1000, description="until it lets go"
    )


class OtherMaster(TimedFault):
    """A second controller on the bus, which sends whenever it likes."""

    kind: Literal["other-master"]
    period_s: float = Field(
        default=7.3, gt=0.02, le=1e5, description="from one transaction to the next"
    )
    reset_us: float = Field(default=500, gt=0, le=5000, description="length of reset")
    slots: int = Field(default=72, ge=0, le=200, description="written after it")
    sends: HexBytes = Field(
        default="",
        description="bytes that it writes after its reset instead, in hex, such as a "
        "match command and a ROM code; each slot then is a legal write slot",
    )
    low_ohm: float = Field(default=25, gt=0, le=1e5, description="of its stage")


class SignallingPart(TimedFault):
    """A part that calls by itself: one long low on the idle line."""

    kind: Literal["signalling-part"]
    low_us: float = Field(
        default=2000, gt=0, le=50_000, description="length; 960 to 3840 are usual"
    )
    period_s: float | None = Field(
        default=None, gt=0.1, le=1e5, description="calls again; once unless given"
    )


LineFault = (
    ShortedLineFault
    | LineStuckHigh
    | WeakPullUp
    | ExtraCapacitance
    | BitFlips
    | NoiseBurst
    | LiftedLow
    | GroundLift
    | BranchDips
    | Leakage
    | ThermostatOutput
    | OtherMaster
    | SignallingPart
)
"""Any fault of the line."""
