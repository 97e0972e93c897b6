"""Family 10h: thermometer, 9 bit, and the remainder for more.

Source: data sheets of the older thermometers: DS18S20 p. 3-4.
"""

from __future__ import annotations

from math import floor

from harness.simulation.devices.kind import DeviceKind
from harness.simulation.devices.thermometers.scratchpad_thermometer import (
    ThermometerModel,
)
from harness.simulation.devices.thermometers.settings import ThermometerSettings

COUNTS_PER_DEGC = 16


class RemainderThermometer(ThermometerModel[ThermometerSettings]):
    """Scratchpad: half degrees, alarms, FFh, FFh, count remain, count per degree."""

    power_on_temperature = b"\xaa\x00"

    def fixed_bytes(self) -> bytes:
        """Count remain 0Ch, count per degree 10h: exactly +85."""
        return bytes((0xFF, 0xFF, 0x0C, COUNTS_PER_DEGC))

    def write_result(self, temperature_degc: float) -> None:
        """T = whole - 0.25 + (per degree - remain) / per degree."""
        counts = floor((temperature_degc + 0.25) * COUNTS_PER_DEGC + 0.5)
        whole, above = divmod(counts, COUNTS_PER_DEGC)
        half_degrees = 2 * whole + (above >= COUNTS_PER_DEGC // 2)
        self.scratchpad[0:2] = (half_degrees & 0xFFFF).to_bytes(2, "little")
        self.scratchpad[6] = COUNTS_PER_DEGC - above

    def whole_degc(self) -> int:
        """Bits 8 to 1, rounded down."""
        return int.from_bytes(self.scratchpad[0:2], "little", signed=True) >> 1

    def is_in_alarm(self, whole_degc: int) -> bool:
        """At or below the low alarm, or above the high one (the sheet's own words)."""
        high, low = self._alarm_limits()
        return whole_degc > high or whole_degc <= low


KINDS = (
    DeviceKind(
        family=0x10,
        title="thermometer, 9 bit and remainder",
        settings=ThermometerSettings,
        model=RemainderThermometer,
    ),
)
