"""Family 01h: serial number."""

from __future__ import annotations

from harness.simulation.device_settings import DeviceSettings
from harness.simulation.devices.kind import DeviceKind

KINDS = (DeviceKind(family=0x01, title="serial number", settings=DeviceSettings),)
