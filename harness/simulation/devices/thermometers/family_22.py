"""Family 22h: thermometer, 9 to 12 bit, wider error."""

from __future__ import annotations

from harness.simulation.devices.kind import DeviceKind
from harness.simulation.devices.thermometers.configurable_thermometer import (
    ConfigurableThermometer,
)
from harness.simulation.devices.thermometers.settings import (
    ConfigurableThermometerSettings,
)

KINDS = (
    DeviceKind(
        family=0x22,
        title="thermometer, 9 to 12 bit, wider error",
        settings=ConfigurableThermometerSettings,
        model=ConfigurableThermometer,
    ),
)
