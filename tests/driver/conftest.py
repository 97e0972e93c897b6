"""Partners for driver tests: populations on a simulated line, a port that can be rigged."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from harness.driver.adapter import Adapter
from harness.driver.bus import Bus
from harness.driver.switching import Switching
from harness.wire.romcode import RomCode

RUNS = count(1)

Opening = Callable[..., AbstractContextManager[Bus]]


@pytest.fixture
def bus_with(tmp_path: Path) -> Opening:
    """Open a bus with just these ROM codes on it, whether they can be or not."""

    @contextmanager
    def opened(
        roms: Sequence[RomCode],
        *,
        kind: str = "fractional-divider",
        line: dict[str, Any] | None = None,
        devices: Sequence[dict[str, Any]] = (),
        **simulation: Any,  # noqa: ANN401 - any setting
    ) -> Iterator[Bus]:
        run = next(RUNS)
        path = tmp_path / f"bench-{run}.yaml"
        settings = [*devices, *_devices(roms)]
        fixture = {
            "adapter": {"kind": kind},
            "line": {"pull_up_ohm": 2200, "cable_m": 1, **(line or {})},
            "simulation": {"devices": settings, **simulation},
        }
        path.write_text(json.dumps(fixture), encoding="utf-8")
        with Adapter(f"sim://{path}?run=driver-{run}", kind=kind).open() as adapter:
            yield Bus(adapter)

    return opened


def _devices(roms: Sequence[RomCode]) -> list[dict[str, Any]]:
    known = {0x01, 0x10, 0x22, 0x28}
    # the model answers searches alike in every family; a kind it lacks lends its own
    return [
        {"family": r.family if r.family in known else 0x01, "rom_code": str(r)}
        for r in roms
    ]


class JumpingClock:
    """Time that passes only when somebody waits."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now_s(self) -> float:
        """Seconds since it was made."""
        return self._now_s

    def sleep(self, duration_s: float) -> None:
        """Jump."""
        self._now_s += max(0.0, duration_s)

    def calendar(self) -> datetime:
        """A fixed day."""
        return datetime(2024, 1, 1, tzinfo=UTC)


class RiggedPort:
    """Echoes every character, except where a test says otherwise.

    Attributes:
        fail: call name -> what that call raises.
        lose: characters that are swallowed from the next write.
        foreign: characters that come behind the echo of the next write.
        chatter: characters that wait whenever somebody asks.
        late: times and the characters that arrive then, before the echo of a write
            that ends later.
        stopbits: as set.
        calls: names of the calls made, in order.
    """

    def __init__(self) -> None:
        self.clock = JumpingClock()
        self.fail: dict[str, Exception] = {}
        self.lose = 0
        self.foreign = b""
        self.chatter = b""
        self.late: list[tuple[float, bytes]] = []
        self.calls: list[str] = []
        self.states: list[tuple[bool, bool]] = []
        self.closed = False
        self.stopbits = 1
        self._waiting = bytearray()
        self._baud = 9600
        self._lines = {"rts": True, "dtr": True}

    def _call(self, name: str) -> None:
        self.calls.append(name)
        self._deliver_late()
        if name in self.fail:
            raise self.fail[name]

    def _deliver_late(self) -> None:
        while self.late and self.late[0][0] <= self.clock.now_s():
            self._waiting += self.late.pop(0)[1]

    @property
    def baudrate(self) -> int:
        """The rate."""
        return self._baud

    @baudrate.setter
    def baudrate(self, baud: int) -> None:
        self._call("baudrate")
        self._baud = baud

    @property
    def in_waiting(self) -> int:
        """Characters that can be read."""
        self._call("in_waiting")
        self._waiting += self.chatter
        return len(self._waiting)

    def write(self, data: bytes) -> int:
        """Take characters and echo them."""
        self._call("write")
        self.clock.sleep(len(data) * 10 / self._baud)
        self._deliver_late()
        self._waiting += data[self.lose :] + self.foreign
        self.lose, self.foreign = 0, b""
        return len(data)

    def read(self, size: int) -> bytes:
        """What is there, up to ``size``."""
        self._call("read")
        data = bytes(self._waiting[:size])
        del self._waiting[:size]
        if len(data) < size:
            self.clock.sleep(0.05)
        return data

    def reset_input_buffer(self) -> None:
        """Drop what is there."""
        self._call("reset_input_buffer")
        self._waiting.clear()

    def close(self) -> None:
        """Close."""
        self._call("close")
        self.closed = True

    def _set(self, line: str, asserted: bool) -> None:
        self._call(line)
        self._lines[line] = asserted
        self.states.append((self._lines["rts"], self._lines["dtr"]))

    @property
    def rts(self) -> bool:
        """State of RTS."""
        return self._lines["rts"]

    @rts.setter
    def rts(self, asserted: bool) -> None:
        self._set("rts", asserted)

    @property
    def dtr(self) -> bool:
        """State of DTR."""
        return self._lines["dtr"]

    @dtr.setter
    def dtr(self, asserted: bool) -> None:
        self._set("dtr", asserted)


@pytest.fixture
def rigged() -> Callable[..., tuple[Adapter, RiggedPort]]:
    """An adapter, not yet open, whose port is a ``RiggedPort``."""

    def make(**settings: Any) -> tuple[Adapter, RiggedPort]:  # noqa: ANN401
        port = RiggedPort()
        settings.setdefault("switching", Switching())
        adapter = Adapter("rigged", kind="exact", opener=lambda *_: port, **settings)
        return adapter, port

    return make
