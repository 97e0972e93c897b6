"""Raw frames towards a simulated bench, without any part of the driver."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from harness.simulation.devices.thermometers.scratchpad_thermometer import (
    ThermometerModel,
)
from harness.simulation.servers.bench import Bench
from harness.simulation.servers.port import SimulatedPort
from harness.simulation.settings.bench import bench_settings

SLOT_BAUD = 142_857
RESET_BAUD = 7800


class Host:
    """A host that knows frames and nothing else.

    Attributes:
        port: the simulated port.
        bench: what is behind it.
    """

    def __init__(self, port: SimulatedPort) -> None:
        self.port = port
        self.bench = port.bench

    def thermometer(self, index: int = 0) -> ThermometerModel[Any]:
        """The device model at a place of the bench, which must be a thermometer."""
        device = self.bench.stations[index].device
        assert isinstance(device, ThermometerModel)
        return device

    def exchange(self, frames: bytes, *, baud: int) -> bytes:
        """Send frames at a rate and read as many echoes (fewer if they do not come)."""
        if self.port.baudrate != baud:
            self.port.baudrate = baud
        self.port.write(frames)
        return self.port.read(len(frames))

    def reset(self) -> int:
        """The echo of F8h at 7800 baud; F8h itself if nobody is there."""
        return self.exchange(b"\xf8", baud=RESET_BAUD)[0]

    def wait(self, wait_s: float) -> None:
        """Let time pass, and drop what the line said meanwhile."""
        self.port.clock.sleep(wait_s)
        self.port.reset_input_buffer()

    def bits(self, frames: bytes) -> list[int]:
        """Bit 0 of each echo."""
        return [echo & 1 for echo in self.exchange(frames, baud=SLOT_BAUD)]

    def write(self, data: bytes) -> None:
        """Write bytes, least significant bit first."""
        self.bits(bytes(0xFF if b >> i & 1 else 0x00 for b in data for i in range(8)))

    def read(self, count: int) -> bytes:
        """Read bytes, least significant bit first."""
        bits = self.bits(b"\xff" * (8 * count))
        return bytes(
            sum(bits[8 * place + i] << i for i in range(8)) for place in range(count)
        )

    def ask(self, request: bytes, count: int = 0) -> bytes:
        """Reset, write, read."""
        assert self.reset() != 0xF8, "nobody answered the reset"
        self.write(request)
        return self.read(count) if count else b""

    def convert(self, wait_s: float = 0.8) -> bytes:
        """All convert; then the scratchpad of the only device."""
        self.ask(b"\xcc\x44")
        self.wait(wait_s)
        return self.ask(b"\xcc\xbe", 9)

    def search(self, command: int = 0xF0) -> list[str]:
        """ROM codes of all devices, by the published procedure, in print form."""
        found: list[str] = []
        path: list[int] = []
        while True:
            assert self.reset() != 0xF8, "nobody answered the reset"
            self.write(bytes([command]))
            bits, branch = self._walk(path)
            if bits is None:
                return found
            code = sum(bit << place for place, bit in enumerate(bits))
            found.append(code.to_bytes(8, "big").hex().upper())
            if branch is None:
                return found
            path = [*bits[:branch], 1]

    def _walk(self, path: list[int]) -> tuple[list[int] | None, int | None]:
        bits: list[int] = []
        branch = None
        for place in range(64):
            pair = self.bits(b"\xff\xff")
            if pair == [1, 1]:
                return None, None
            bit = pair[0]
            if pair == [0, 0]:
                bit = path[place] if place < len(path) else 0
                if bit == 0:
                    branch = place
            bits.append(bit)
            self.bits(b"\xff" if bit else b"\x00")
        return bits, branch


MakeHost = Callable[..., Host]


@pytest.fixture
def make_host() -> Iterator[MakeHost]:
    """Make a host on a bench: devices, and sections of the fixture by name."""
    hosts: list[Host] = []

    def make(
        *devices: dict[str, Any], timeout_s: float = 1.0, **sections: object
    ) -> Host:
        simulation: dict[str, object] = {"devices": list(devices)}
        for key in ("seed", "adapter", "faults"):
            if key in sections:
                simulation[key] = sections.pop(key)
        fixture = {**sections, "simulation": simulation}
        bench = Bench(bench_settings(fixture))
        host = Host(SimulatedPort.for_bench(bench, timeout_s=timeout_s))
        host.wait(0.01)  # opening may have switched the supply on
        hosts.append(host)
        return host

    yield make
    for host in hosts:
        host.port.close()
