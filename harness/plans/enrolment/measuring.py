"""What enrolling measures on the bus: temperatures of thermometers, the line's capacitance."""

from __future__ import annotations

from collections.abc import Iterable

from harness.driver.bus import Bus
from harness.driver.session import DeviceSession
from harness.families.registry import quantities
from harness.plans.enrolment.fixture_text import MeasuredCable
from harness.timing.survey import Survey
from harness.timing.values import LineFacts, Name, Timing
from harness.wire.electrical import ADAPTER_PF
from harness.wire.romcode import RomCode

_DEVICE_PF, _CABLE_PF_PER_M = 25.0, 50.0
"""Typical input of a device with a supply pin (data sheet family 28h, p. 20), and of
telephone or network cable (from memory)."""

TEMPERATURE = "temperature"


def thermometers(roms: Iterable[RomCode]) -> list[RomCode]:
    """ROM codes of devices that a temperature can be read of."""
    return [rom for rom in roms if TEMPERATURE in quantities(rom.family)]


def temperatures(bus: Bus, roms: Iterable[RomCode]) -> dict[RomCode, float]:
    """The temperature of each, in degC, by a conversion of its own.

    Raises:
        DeviceError, LineError, AdapterError: as the device's family says.
    """
    found = {}
    for rom in roms:
        row = quantities(rom.family)[TEMPERATURE]
        found[rom] = float(row.read(DeviceSession(bus, rom)).value)
    return found


def cable(
    bus: Bus, roms: Iterable[RomCode], *, pull_up_ohm: float, supply_v: float
) -> MeasuredCable | None:
    """Capacitance and cable of the line; None where the adapter cannot measure them."""
    devices = list(roms)
    line = LineFacts(pull_up_ohm=pull_up_ohm, supply_v=supply_v)
    timing = Survey(bus, line, devices).of_line(Name.CAPACITANCE)
    if not isinstance(timing, Timing) or timing.bound is not None:
        return None
    if 2 * timing.uncertainty > timing.value:  # not even known within a factor of three
        return None
    left_pf = 1e3 * timing.value - _DEVICE_PF * len(devices) - ADAPTER_PF
    return MeasuredCable(
        nf=timing.value,
        doubt_nf=timing.uncertainty,
        cable_m=max(0.0, left_pf / _CABLE_PF_PER_M),
    )
