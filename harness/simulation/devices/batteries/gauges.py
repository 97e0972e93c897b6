"""Families 51h, 2Eh and 36h: gauges without a protector.

Source: data sheets DS2770 (family 2Eh) p. 11-15 and DS2740 (family 36h) p. 6; 51h (DS2751) from memory: registers of a 30h without protection.
"""

from __future__ import annotations

from typing import ClassVar

from harness.simulation.devices.batteries.gauge import (
    GaugeModel,
    GaugeSettings,
    Sense,
    SenseSettings,
)
from harness.simulation.devices.common.memory_settings import of_size
from harness.simulation.devices.kind import DeviceKind


class Gauge51(GaugeModel[GaugeSettings]):
    """Several chemistries."""


class Gauge2E(GaugeModel[GaugeSettings]):
    """Finer current, elapsed time, a third block."""

    count_uv = 1.5625
    current_shift = 0
    blocks: ClassVar[tuple[tuple[int, int], ...]] = (
        (0x20, 16),
        (0x30, 16),
        (0x40, 8),
    )

    def image(self) -> bytearray:
        """All registers as they stand now."""
        image = super().image()
        elapsed = int(self.surroundings.now_us() / 56e6)
        image[0x02:0x04] = (elapsed & 0xFFFF).to_bytes(2, "big")
        image[0x06] = 0
        return image


class Counter36(Sense[SenseSettings]):
    """Current and account alone."""

    count_uv = 1.5625
    current_shift = 0


KINDS = (
    DeviceKind(
        family=0x51,
        title="fuel gauge, several chemistries",
        settings=of_size(GaugeSettings, 16),
        model=Gauge51,
    ),
    DeviceKind(
        family=0x2E,
        title="battery monitor with charger control",
        settings=of_size(GaugeSettings, 16),
        model=Gauge2E,
    ),
    DeviceKind(
        family=0x36,
        title="coulomb counter",
        settings=SenseSettings,
        model=Counter36,
    ),
)
