"""Families 17h, 47h, 48h: authenticators with SHA-256, as far as they are public.

ROM commands only: message layout, timing and command codes are given out by the maker
on request, so a function command is followed by silence. Source: application note 5546
(abstract); the rest is assumed, no full sheet is public.
"""

from __future__ import annotations

from harness.simulation.devices.base import Device
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.settings.device import DeviceSettings


class Sha256Authenticator(Device[DeviceSettings]):
    """ROM code, and resume."""

    knows_resume = True


KINDS = tuple(
    DeviceKind(
        family=family,
        title=f"EEPROM, {size}, SHA-256, ROM code only",
        settings=DeviceSettings,
        model=Sha256Authenticator,
    )
    for family, size in ((0x17, "512 bit"), (0x47, "4 Kbit"), (0x48, "2 Kbit"))
)
