"""What can be made to go wrong on the bench, one model a fault, distinguished by ``kind``.

When a fault is on, ``fault_base`` says; the kinds are in ``fault_line``,
``fault_device`` and ``fault_adapter``.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from harness.simulation.faults.adapter import (
    AdapterDropsBytes,
    AdapterFault,
    AdapterNoEcho,
    BufferOverrun,
    DoubledEcho,
    Habit,
    HostGaps,
    LatencyJitter,
    PowerBlink,
    PushPullOutput,
    ReceiverInverted,
    TerminalLayer,
    UnpluggedFault,
    WrongBaud,
)
from harness.simulation.faults.base import (
    DeviceFault,
    Layer,
    TimedFault,
    When,
)
from harness.simulation.faults.device import (
    AbsentDeviceFault,
    ContactFault,
    DamagedCommand,
    DeviceDropsOff,
    DeviceTrouble,
    DuplicateRom,
    HotPlugging,
    LeftInOverdrive,
    PresenceLate,
    PresenceLong,
    StretchedReset,
    StuckAtPowerOn,
    SupplyDip,
    SupplyLeadOpen,
    WrongReservedBytes,
    WrongRomCrc,
    ZeroRom,
)
from harness.simulation.faults.line import (
    BitFlips,
    BranchDips,
    BranchSide,
    ExtraCapacitance,
    GroundLift,
    Leakage,
    LiftedLow,
    LineFault,
    LineStuckHigh,
    NoiseBurst,
    OtherMaster,
    Polarity,
    ShortedLineFault,
    SignallingPart,
    ThermostatOutput,
    WeakPullUp,
)

__all__ = [
    "AbsentDeviceFault",
    "AdapterDropsBytes",
    "AdapterNoEcho",
    "BitFlips",
    "BranchDips",
    "BranchSide",
    "BufferOverrun",
    "ContactFault",
    "DamagedCommand",
    "DeviceDropsOff",
    "DeviceFault",
    "DoubledEcho",
    "DuplicateRom",
    "ExtraCapacitance",
    "FaultSettings",
    "GroundLift",
    "Habit",
    "HostGaps",
    "HotPlugging",
    "LatencyJitter",
    "Layer",
    "Leakage",
    "LeftInOverdrive",
    "LiftedLow",
    "LineStuckHigh",
    "NoiseBurst",
    "OtherMaster",
    "Polarity",
    "PowerBlink",
    "PresenceLate",
    "PresenceLong",
    "PushPullOutput",
    "ReceiverInverted",
    "ShortedLineFault",
    "SignallingPart",
    "StretchedReset",
    "StuckAtPowerOn",
    "SupplyDip",
    "SupplyLeadOpen",
    "TerminalLayer",
    "ThermostatOutput",
    "TimedFault",
    "UnpluggedFault",
    "WeakPullUp",
    "When",
    "WrongBaud",
    "WrongReservedBytes",
    "WrongRomCrc",
    "ZeroRom",
]

FaultSettings = Annotated[
    LineFault | DeviceTrouble | AdapterFault, Field(discriminator="kind")
]
"""Any one fault."""
