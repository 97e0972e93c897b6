"""A whole simulated fixture: line and devices, adapter, faults and the host's clock."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from math import inf
from pathlib import Path

from harness.simulation.adapter.adapter import AdapterModel
from harness.simulation.adapter.adapter_uart import RECEIVER_HYSTERESIS_V
from harness.simulation.devices.mounted_device import Station
from harness.simulation.faults.schedule import Faults
from harness.simulation.instruments.rack import Rack
from harness.simulation.line.core import Core
from harness.simulation.line.recorder import LineRecorder
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
        rack: its instruments.
        recorder: writes the line to a file, if it is recorded.
        locked: True while a client holds the port exclusively.
    """

    def __init__(self, settings: BenchSettings) -> None:
        self.settings = settings
        self.clock: HostClock = VirtualClock()
        self.core = Core(settings)
        self.adapter = AdapterModel(self.core)
        self.handles = 0
        self.recorder: LineRecorder | None = None
        self.locked = False
        self.faults = Faults(self.core, self.adapter, self.catch_up)
        self.rack = Rack(settings.instruments, self.core, self._now_s)
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

    def record_line(self, path: Path, *, last_s: float = inf) -> LineRecorder:
        """Write the line to a file from now on, as a Value Change Dump.

        Args:
            path: the file; an existing one is replaced.
            last_s: how much of the end to keep, in seconds of bench time.

        Raises:
            OSError: the file cannot be written.
        """
        threshold_v = self.settings.adapter.threshold_v
        names: dict[Hashable, str] = {"host": "host"}
        for station in self.core.stations:
            names[station.pin] = station.socket or str(station.device.true_rom)
        recorder = LineRecorder(
            path,
            threshold_v=(threshold_v - RECEIVER_HYSTERESIS_V, threshold_v),
            supply_v=self.settings.line.supply_v,
            names=names,
            last_s=last_s,
        )
        self.core.watch_line(recorder)
        self.recorder = recorder
        return recorder

    def follow_wall_clock(self) -> None:
        """Let bench time pass as real time does, from now on."""
        self.clock = WallClock(start_us=max(self.clock.now_us, self.core.now_us))

    def catch_up(self) -> None:
        """Let the line run up to the host's time."""
        self.adapter.pump(self.clock.now_us)

    def _now_s(self) -> float:
        self.catch_up()
        return self.clock.now_us * 1e-6

    def record_trace(self) -> LineTrace:
        """Record the line voltage from now on."""
        self.catch_up()
        return self.core.record_trace()

    def stop_trace(self) -> None:
        """End the record."""
        self.catch_up()
        self.core.stop_trace()
