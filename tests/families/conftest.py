"""Families as their tests meet them: on a simulated bench, or byte by byte."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pytest

from harness.clock import Clock
from harness.driver.bus import Bus
from harness.driver.session import DeviceSession, SocketFacts
from harness.errors import DeviceAbsent
from harness.families.family import Check, Options
from harness.families.option_values import options_for
from harness.wire.romcode import RomCode


class StoppedClock:
    """Time that only waiting moves."""

    def __init__(self) -> None:
        self.waited_s = 0.0

    def now_s(self) -> float:
        """Seconds waited so far."""
        return self.waited_s

    def sleep(self, duration_s: float) -> None:
        """Wait."""
        self.waited_s += duration_s

    def calendar(self) -> Any:  # noqa: ANN401 - no test asks for the date
        """Nobody asks."""
        raise NotImplementedError


class Script:
    """A session that holds a transaction against a script, byte by byte.

    Each line is what the host must write and what the device answers, in hex; ``..``
    before the first byte goes on without a reset. A line that is left over, or other
    bytes, fail the test.
    """

    def __init__(self, lines: Sequence[tuple[str, str]], *, rom: RomCode) -> None:
        self.rom = rom
        self.memory: dict[str, Any] = {}
        self.loop_backs: dict[str, str] = {}
        self.seat_doubt = ""
        self.lines = list(lines)
        self.notes: list[tuple[str, dict[str, Any]]] = []
        self.held_s: list[float] = []
        self.pulses_s: list[float] = []
        self.alone = True
        self.present = True
        self.condition = False
        self._clock = StoppedClock()
        self._left = b""

    @property
    def clock(self) -> Clock:
        """Stopped."""
        return self._clock

    def _exchange(self, write: bytes, read: int, *, fresh: bool) -> bytes:
        if not fresh and not write and self._left:
            answer, self._left = self._left[:read], self._left[read:]
            return answer
        assert self.lines, f"nothing more was expected, and {write.hex()} came"
        sent, answered = self.lines.pop(0)
        assert sent.startswith("..") != fresh, f"expected {sent}"
        assert write == bytes.fromhex(sent.removeprefix(".."))
        whole = bytes.fromhex(answered)
        assert read <= len(whole) or not fresh
        self._left = whole[read:]
        return whole[:read]

    def transact(self, write: bytes, read: int = 0) -> bytes:
        """Reset, select, write, read."""
        return self._exchange(write, read, fresh=True)

    def resume(self, write: bytes, read: int = 0) -> bytes:
        """As ``transact``."""
        return self._exchange(write, read, fresh=True)

    def unselected(self, write: bytes, read: int = 0) -> bytes:
        """As ``transact``; the script's line begins with the ROM command."""
        return self._exchange(write, read, fresh=True)

    def more(self, write: bytes = b"", read: int = 0) -> bytes:
        """Go on without a reset."""
        return self._exchange(write, read, fresh=False)

    def transact_bits(self, write: bytes, slots: int) -> list[int]:
        """Slots of whole bytes."""
        data = self.transact(write, -(-slots // 8))
        return [data[i // 8] >> i % 8 & 1 for i in range(slots)]

    def read_bits(self, slots: int) -> list[int]:
        """Slots of whole bytes."""
        data = self.more(read=-(-slots // 8))
        return [data[i // 8] >> i % 8 & 1 for i in range(slots)]

    def verify(self) -> None:
        """Ask whether the device is there."""
        if not self.present:
            raise DeviceAbsent(f"device {self.rom} does not answer")

    def meets_condition(self) -> bool:
        """As the test says."""
        return self.condition

    def is_alone(self) -> bool:
        """As the test says."""
        return self.alone

    def hold_strong_pull_up(self, write: bytes, hold_s: float) -> None:
        """Write, and note how long the line was held."""
        self._exchange(write, 0, fresh=True)
        self.held_s.append(hold_s)

    def feed(self, hold_s: float) -> None:
        """Note how long the line was held."""
        self.held_s.append(hold_s)

    def program_pulse(self, hold_s: float) -> None:
        """Note the pulse."""
        self.pulses_s.append(hold_s)

    def settle(self) -> None:
        """Nothing comes late here."""

    def note(self, text: str, **facts: Any) -> None:  # noqa: ANN401 - plain facts
        """Keep it."""
        self.notes.append((text, facts))


@pytest.fixture
def script() -> Callable[..., Script]:
    """Make a scripted session: ``script(0x2D, [("0F 20 00 01", "3E 45"), ...])``."""

    def make(
        family: int, lines: Sequence[tuple[str, str]], serial: int = 0xA4B3C2D1
    ) -> Script:
        return Script(lines, rom=RomCode.build(family, serial))

    return make


@pytest.fixture
def session_on(
    open_bus: Callable[[dict[str, Any]], Bus],
) -> Callable[..., DeviceSession]:
    """Open a bench and a session with the device in a socket of it."""

    def make(data: dict[str, Any], socket: str = "S1") -> DeviceSession:
        bus = open_bus(data)
        code = next(
            s["expect"]["rom_code"] for s in data["sockets"] if s["name"] == socket
        )
        return DeviceSession(bus, RomCode.parse(code))

    return make


@pytest.fixture
def given() -> Callable[..., Options]:
    """Options of a check as a plan gives them: ``given(check, start=0, ...)``."""

    def make(check: Check, **values: Any) -> Options:  # noqa: ANN401 - any scalar
        return options_for(check, values, plan_path="")

    return make


@pytest.fixture
def live(
    open_bus: Callable[[dict[str, Any]], Bus],
    bench_data: Callable[..., dict[str, Any]],
    new_device: Callable[..., dict[str, Any]],
) -> Callable[..., DeviceSession]:
    """A session with the only device of a bench.

    ``live(0x28, fixture={...}, simulation={...}, temperature_degc=4)``: sections of the
    fixture, keys of its simulation, and settings of the device.
    """

    def make(
        family: int,
        *,
        fixture: dict[str, Any] | None = None,
        simulation: dict[str, Any] | None = None,
        loop_backs: dict[str, str] | None = None,
        **settings: Any,  # noqa: ANN401 - any setting of the device
    ) -> DeviceSession:
        data = bench_data([new_device(family, 0x51AB, **settings)])
        data |= fixture or {}
        data["simulation"] |= simulation or {}
        rom = RomCode.build(family, 0x51AB)
        socket = SocketFacts(loop_backs=loop_backs or {})
        return DeviceSession(open_bus(data), rom, socket)

    return make


class Scripted:
    """A thermometer that always shows one block, and slots from a list.

    Attributes:
        written: what the host wrote, transaction by transaction.
    """

    def __init__(self, block: bytes, slots: list[list[int]]) -> None:
        self.rom = RomCode.build(0x28, 0x51AB)
        self.memory: dict[str, Any] = {}
        self.written: list[bytes] = []
        self._block = block
        self._slots = list(slots)
        self._clock = StoppedClock()

    @property
    def clock(self) -> Clock:
        """Moves by waiting."""
        return self._clock

    def transact(self, write: bytes, read: int = 0) -> bytes:
        """The block."""
        self.written.append(write)
        return self._block[:read]

    def transact_bits(self, write: bytes, slots: int) -> list[int]:
        """The next slots; the last ones again when the list is at its end."""
        self.written.append(write)
        return self.read_bits(slots)

    def read_bits(self, slots: int) -> list[int]:
        """The next slots; the last ones again when the list is at its end."""
        found = self._slots.pop(0) if len(self._slots) > 1 else self._slots[0]
        return found[:slots]

    def hold_strong_pull_up(self, write: bytes, hold_s: float) -> None:
        """Wait."""
        self.written.append(write)
        self._clock.sleep(hold_s)


@pytest.fixture
def scripted() -> Callable[..., Scripted]:
    """Make a thermometer of one block: ``scripted(block, [[1], [0], ...])``."""
    return Scripted
