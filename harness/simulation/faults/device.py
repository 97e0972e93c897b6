"""Faults of devices and of what feeds them."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from harness.simulation.faults.base import CommandByte, DeviceFault, TimedFault


class ContactFault(StrEnum):
    """Which of a device's leads comes loose."""

    DATA = "data"
    GROUND = "ground"
    ALL = "all"


class AbsentDeviceFault(DeviceFault):
    """No device in the socket."""

    kind: Literal["device-absent"]


class DeviceDropsOff(DeviceFault):
    """A lead comes loose, and back."""

    kind: Literal["device-drops-off"]
    contact: ContactFault = Field(
        default=ContactFault.ALL, description="what comes loose"
    )


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


class SupplyDip(DeviceFault):
    """The supply falls for a time: the bench's, or that of one supply pin."""

    kind: Literal["supply-dip"]
    to_v: float = Field(default=0.0, ge=0, le=12, description="level it falls to")


class SupplyLeadOpen(DeviceFault):
    """A supply wire is broken: the device lives on the data line instead."""

    kind: Literal["supply-lead-open"]


class HotPlugging(TimedFault):
    """A device is plugged in while the bus is at work; it was away before.

    Its empty capacitor holds the line down until the pull-up has charged it to the
    threshold of the devices; then it shows its presence.
    """

    kind: Literal["hot-plugging"]
    device: str = Field(description="socket or ROM code")
    store_nf: float = Field(
        default=47.0, ge=0, le=1e5, description="capacitor at the newcomer"
    )

    @property
    def names(self) -> tuple[str, ...]:
        """Devices it names, by socket or ROM code."""
        return (self.device,)


class DamagedCommand(DeviceFault):
    """The branch dips just when a device samples the last 1 of a function command.

    An opportunity is each sending of the command.
    """

    kind: Literal["damaged-command"]
    command: CommandByte = Field(default=0x44, description="function command")
    probability: float = Field(
        default=0.05, gt=0, le=1, description="chance a command and device"
    )


class StretchedReset(DeviceFault):
    """A part with something to report makes each reset longer."""

    kind: Literal["stretched-reset"]
    low_us: float = Field(
        default=2000, gt=0, le=50_000, description="low after the reset was known"
    )


class LeftInOverdrive(DeviceFault):
    """A glitch put the device into overdrive; it stays there by itself."""

    kind: Literal["left-in-overdrive"]


DeviceTrouble = (
    AbsentDeviceFault
    | DeviceDropsOff
    | PresenceLate
    | PresenceLong
    | DuplicateRom
    | WrongRomCrc
    | ZeroRom
    | StuckAtPowerOn
    | WrongReservedBytes
    | SupplyDip
    | SupplyLeadOpen
    | HotPlugging
    | DamagedCommand
    | StretchedReset
    | LeftInOverdrive
)
"""Any fault of a device."""
