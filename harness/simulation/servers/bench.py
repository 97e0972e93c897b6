"""A whole simulated fixture: line and devices, adapter, faults and the host's clock."""

from __future__ import annotations

from collections.abc import Sequence

from harness.simulation.adapter.adapter import AdapterModel
from harness.simulation.devices.mounted_device import Station
from harness.simulation.faults.schedule import Faults
from harness.simulation.line.core import Core
from harness.simulation.line.trace import LineTrace
from harness.simulation.servers.clocks import HostClock, VirtualClock, WallClock
from harness.simulation.settings.bench import BenchSettings


class Bench:
    """Everything behind a simulated port.

    Raises:
        ValueError: a fault of the fixture names a device that is not there.

    Attributes:
        settings: the truth it was made from.
        core: line, devices, UART and power.
        adapter: the way between host and UART.
        faults: what goes wrong, by plan or on request.
        clock: the host's time; virtual until ``follow_wall_clock``.
        handles: how many ports are open on it.
        locked: True while somebody holds the port for himself.
    """

    def __init__(self, settings: BenchSettings) -> None:
        self.settings = settings
        self.clock: HostClock = VirtualClock()
        self.core = Core(settings)
        self.adapter = AdapterModel(self.core)
        self.handles = 0
        self.locked = False
        self.faults = Faults(self.core, self.adapter, self.catch_up)
        for fault in settings.faults:
            self.faults.plan(fault)
        self.core.idle_until(0.0)  # faults that are there from the start

    @property
    def stations(self) -> Sequence[Station]:
        """The devices with their pins and supplies, in the order of the fixture."""
        return self.core.stations

    def station(self, name: str) -> Station:
        """The device in a socket, or with a ROM code.

        Raises:
            ValueError: there is none.
        """
        return self.core.station(name)

    def follow_wall_clock(self) -> None:
        """Let bench time pass as real time does, from now on."""
        self.clock = WallClock(start_us=max(self.clock.now_us, self.core.now_us))

    def catch_up(self) -> None:
        """Let the line run up to the host's time."""
        self.adapter.pump(self.clock.now_us)

    def record_trace(self) -> LineTrace:
        """Record the line voltage from now on."""
        self.catch_up()
        return self.core.record_trace()

    def stop_trace(self) -> None:
        """End the record."""
        self.catch_up()
        self.core.stop_trace()
