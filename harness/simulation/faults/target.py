"""What the effect of a fault may lay hands on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from harness.simulation.adapter.adapter import AdapterModel
from harness.simulation.devices.mounted_device import Station
from harness.simulation.faults import settings as fs
from harness.simulation.line.core import Core


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultTarget:
    """The bench, and a source of random numbers of one's own."""

    core: Core
    adapter: AdapterModel
    random: Random

    def victims(self, fault: fs.DeviceFault) -> list[Station]:
        """The devices a fault is about."""
        if fault.device is None:
            return list(self.core.stations)
        return [self.core.station(fault.device)]

    def strikes(self, probability: float) -> bool:
        """True with a probability."""
        return self.random.random() < probability

    def sign(self, polarity: fs.Polarity) -> int:
        """+1 or -1."""
        if polarity is fs.Polarity.BOTH:
            return self.random.choice((1, -1))
        return 1 if polarity is fs.Polarity.UP else -1

    def later(self, delay_us: float, action: Callable[[], None]) -> None:
        """Have ``action`` done after a time."""
        self.core.agenda.add(self.core.now_us + delay_us, action)
