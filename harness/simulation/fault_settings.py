"""What can be made to go wrong on the bench, one model a fault, told apart by ``kind``.

A fault is on from ``at_s`` (bench time, 0 = power-up) for ``for_s`` seconds (for
ever unless given), again and again every ``every_s`` seconds where that is given.
Inside these times ``probability`` is the chance that it strikes at one opportunity;
what an opportunity is (a character, a packet) each fault says.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field, model_validator

from harness.simulation.settings_base import StrictSettings


class Polarity(StrEnum):
    """Direction of a disturbance on the line."""

    UP = "up"
    DOWN = "down"
    BOTH = "both"


class Contact(StrEnum):
    """Which of a device's leads comes loose."""

    DATA = "data"
    ALL = "all"


class TimedFault(StrictSettings):
    """When a fault is on."""

    at_s: float = Field(default=0.0, ge=0, description="first start, bench time")
    for_s: float | None = Field(
        default=None, gt=0, description="how long it lasts; for ever unless given"
    )
    every_s: float | None = Field(
        default=None, gt=0, description="comes again after this time"
    )

    @property
    def names(self) -> tuple[str, ...]:
        """Devices it names, by socket or ROM code."""
        return ()

    @model_validator(mode="after")
    def _ends_before_it_repeats(self) -> TimedFault:
        if self.every_s is not None and (
            self.for_s is None or self.for_s >= self.every_s
        ):
            raise ValueError("every_s needs a for_s that is shorter than it")
        return self


class DeviceFault(TimedFault):
    """A fault of one device, or of all where none is named."""

    device: str | None = Field(
        default=None, description="socket name or ROM code; all devices unless given"
    )

    @property
    def names(self) -> tuple[str, ...]:
        """Devices it names, by socket or ROM code."""
        return (self.device,) if self.device is not None else ()


class LineShorted(TimedFault):
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


class DeviceAbsent(DeviceFault):
    """No device in the socket."""

    kind: Literal["device-absent"]


class DeviceDropsOff(DeviceFault):
    """A lead comes loose, and back."""

    kind: Literal["device-drops-off"]
    contact: Contact = Field(default=Contact.ALL, description="what comes loose")


class PresenceLate(DeviceFault):
    """Presence pulse begins too late."""

    kind: Literal["presence-late"]
    wait_us: float = Field(default=100, gt=0, le=5000, description="after release")


class PresenceLong(DeviceFault):
    """Presence pulse lasts too long."""

    kind: Literal["presence-long"]
    low_us: float = Field(default=400, gt=0, le=50_000, description="length of pulse")


class DuplicateRom(TimedFault):
    """One device carries the ROM code of another."""

    kind: Literal["duplicate-rom"]
    device: str = Field(description="socket or ROM code of the copy")
    original: str = Field(description="socket or ROM code of the device it copies")

    @property
    def names(self) -> tuple[str, ...]:
        """Devices it names, by socket or ROM code."""
        return (self.device, self.original)


class WrongRomCrc(DeviceFault):
    """The last byte of the ROM code does not fit the others."""

    kind: Literal["wrong-rom-crc"]
    flip: int = Field(default=0x01, ge=1, le=0xFF, description="bits turned round")


class ZeroRom(DeviceFault):
    """A ROM code of zeros."""

    kind: Literal["zero-rom"]


class StuckAtPowerOn(DeviceFault):
    """The chip restarts in each conversion, so it keeps its power-on value."""

    kind: Literal["stuck-at-power-on"]


class WrongReservedBytes(DeviceFault):
    """Bytes of the scratchpad that ought to be fixed are not."""

    kind: Literal["wrong-reserved-bytes"]
    values: dict[
        Annotated[int, Field(ge=0, le=7)], Annotated[int, Field(ge=0, le=0xFF)]
    ] = Field(
        default={5: 0x00, 7: 0xAA},
        description="byte number to the value that is read there",
    )


class AdapterNoEcho(TimedFault):
    """The receive line is open."""

    kind: Literal["adapter-no-echo"]


class AdapterDropsBytes(TimedFault):
    """The receive buffer overruns."""

    kind: Literal["adapter-drops-bytes"]
    probability: float = Field(gt=0, le=1, description="chance a received character")


class AdapterUnplugged(TimedFault):
    """The adapter is pulled out, and put back after ``for_s``."""

    kind: Literal["adapter-unplugged"]


class LatencyJitter(TimedFault):
    """Packets towards the host come late."""

    kind: Literal["latency-jitter"]
    extra_ms: float = Field(default=30, gt=0, le=10_000, description="at most")
    probability: float = Field(default=0.01, gt=0, le=1, description="chance a packet")


FaultSettings = Annotated[
    LineShorted
    | LineStuckHigh
    | WeakPullUp
    | ExtraCapacitance
    | BitFlips
    | NoiseBurst
    | DeviceAbsent
    | DeviceDropsOff
    | PresenceLate
    | PresenceLong
    | DuplicateRom
    | WrongRomCrc
    | ZeroRom
    | StuckAtPowerOn
    | WrongReservedBytes
    | AdapterNoEcho
    | AdapterDropsBytes
    | AdapterUnplugged
    | LatencyJitter,
    Field(discriminator="kind"),
]
"""Any one fault."""
