"""Family 10h: thermometer, 9 bit with extended resolution."""

from __future__ import annotations

from harness.simulation.devices._thermometer_settings import ThermometerSettings
from harness.simulation.devices.kind import DeviceKind

KINDS = (
    DeviceKind(
        family=0x10,
        title="thermometer, 9 bit and remainder",
        settings=ThermometerSettings,
    ),
)
