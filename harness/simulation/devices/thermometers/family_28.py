"""Family 28h: thermometer, 9 to 12 bit."""

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
        family=0x28,
        title="thermometer, 9 to 12 bit",
        settings=ConfigurableThermometerSettings,
        model=ConfigurableThermometer,
    ),
)
