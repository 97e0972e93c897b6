"""Family 01h: a serial number and nothing else.

Source: data sheets of the serial numbers (parts DS2401, DS1990A): ROM commands only;
the legacy code 0Fh reads the ROM code too. Match and skip are accepted and followed
by silence (from memory).
"""

from __future__ import annotations

from harness.simulation.devices.base import OLD_READ_ROM, READ_ROM, Device
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.settings.device import DeviceSettings


class SerialNumber(Device[DeviceSettings]):
    """ROM code only."""

    def reads_rom_on(self, command: int) -> bool:
        """33h, and the legacy 0Fh."""
        return command in {READ_ROM, OLD_READ_ROM}


KINDS = (
    DeviceKind(
        family=0x01,
        title="serial number",
        settings=DeviceSettings,
        model=SerialNumber,
    ),
)
