"""Traffic with one addressed device, or with all devices at once.

A transaction is a reset, a selection and bytes; several of them go in one burst. What a
family module asks for (``harness.families.session``) is all here, and nothing else:
no room above has to pass a way of talking to a device down to its users.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from harness.clock import Clock
from harness.driver.bus import Bus
from harness.driver.search import enumerate_alarms, enumerate_devices, verify
from harness.errors import DeviceAbsent, ExtraEcho
from harness.wire.romcode import RomCode


@dataclass(frozen=True, slots=True, kw_only=True)
class SocketFacts:
    """What is known beforehand about the socket that a device sits in.

    Attributes:
        loop_backs: output of the device -> the input that the socket wires it to.
        memory: what a session with the device remembers from its beginning, such as
            the value of the resistor beside a battery monitor.
        doubt: why the socket of the device is not known, and what to write; else empty.
    """

    loop_backs: Mapping[str, str] = field(default_factory=dict)
    memory: Mapping[str, Any] = field(default_factory=dict)
    doubt: str = ""


class Selection:
    """Traffic with a fixed selection: one device, or all of them.

    Args:
        bus: the open bus.
        rom: the device; None selects all by the skip command.
    """

    def __init__(self, bus: Bus, rom: RomCode | None) -> None:
        self._bus = bus
        self._rom = rom

    @property
    def clock(self) -> Clock:
        """The port's time."""
        return self._bus.clock

    def transact_bits(self, write: bytes, slots: int) -> list[int]:
        """Reset, select, write, read single slots."""
        return self._bus.transact_bits(self._rom, write, slots)

    def read_bits(self, slots: int) -> list[int]:
        """More read slots without a reset."""
        return self._bus.read_bits(slots)

    def hold_strong_pull_up(self, write: bytes, hold_s: float) -> None:
        """Write a command, then feed the devices through an idle line.

        USB cannot switch a line within the 10 us that follow the command, so the
        strong pull-up is armed before it: the command's slots are driven by the
        host alone. Without one the line just idles high, which feeds one device
        through a pull-up of about 1.3 kohm at 5 V (data sheet DS18B20, conversion current).
        """
        adapter = self._bus.adapter
        if adapter.switching.strong_pull_up_on is None:
            self._feed_through_pull_up(write, hold_s)
            return
        self._bus.require_presence()
        self._bus.write(self._bus.selection(self._rom))
        adapter.switch(strong_pull_up=True)
        try:
            self._bus.write(write)
            self.idle(hold_s)
        finally:
            adapter.switch(strong_pull_up=False)

    def _feed_through_pull_up(self, write: bytes, hold_s: float) -> None:
        """The same with the pull-up alone.

        Raises:
            ExtraEcho: the line moved as the command ended.
        """
        try:
            self._bus.transact(self._rom, write)
        except ExtraEcho as fault:
            raise ExtraEcho(
                f"{fault.what}, as a load through the data line's pull-up began",
                where=fault.where,
                hint="a device that draws more than the pull-up gives takes the line "
                "down: wire a strong pull-up or the supply; if it has its supply, the "
                "adapter repeats characters",
                cause="supply or adapter",
            ) from fault
        self.idle(hold_s)
        self._bus.adapter.forgive_strays()

    def idle(self, hold_s: float) -> None:
        """Leave the line idle for so long, which feeds the devices through the pull-up."""
        until_s = self.clock.now_s() + hold_s
        self.meanwhile()
        self.clock.sleep(max(0.0, until_s - self.clock.now_s()))

    def meanwhile(self) -> None:
        """What is done beside the line while it feeds the devices: nothing here."""


class DeviceSession(Selection):
    """One device, as its family module sees it.

    Args:
        bus: the open bus.
        rom: the device.
        socket: what is known about its socket.
        note: writes an event and its fields into the journal.
    """

    def __init__(
        self,
        bus: Bus,
        rom: RomCode,
        socket: SocketFacts | None = None,
        *,
        note: Callable[..., None] | None = None,
    ) -> None:
        super().__init__(bus, rom)
        known = socket or SocketFacts()
        self.rom = rom
        self.seat_doubt = known.doubt
        self.memory: dict[str, Any] = dict(known.memory)
        self.loop_backs: Mapping[str, str] = dict(known.loop_backs)
        self._note = note

    def transact(self, write: bytes, read: int = 0) -> bytes:
        """Reset, select, write, read bytes."""
        return self._bus.transact(self.rom, write, read)

    def resume(self, write: bytes, read: int = 0) -> bytes:
        """Reset, resume command, write, read bytes."""
        return self._bus.resume(write, read)

    def unselected(self, write: bytes, read: int = 0) -> bytes:
        """Reset, write, read; no device is selected."""
        self._bus.require_presence()
        return self._bus.go_on(write, read)

    def more(self, write: bytes = b"", read: int = 0) -> bytes:
        """Write, then read bytes without a reset."""
        return self._bus.go_on(write, read)

    def meets_condition(self) -> bool:
        """True if a conditional search finds the device."""
        return self.rom in enumerate_alarms(self._bus, expected=[self.rom]).found

    def is_alone(self) -> bool:
        """True if a full search finds this device alone."""
        search = enumerate_devices(self._bus, expected=[self.rom])
        return search.found == [self.rom] and not search.rejected

    def feed(self, hold_s: float) -> None:
        """Idle the line, by the strong pull-up where there is one."""
        adapter = self._bus.adapter
        if adapter.switching.strong_pull_up_on is None:
            self._bus.clock.sleep(hold_s)
            adapter.forgive_strays()
            return
        adapter.switch(strong_pull_up=True)
        try:
            self._bus.clock.sleep(hold_s)
        finally:
            adapter.switch(strong_pull_up=False)

    def program_pulse(self, hold_s: float) -> None:
        """Lift the line to the programming voltage, then back."""
        adapter = self._bus.adapter
        adapter.switch(programming=True)
        try:
            self._bus.clock.sleep(hold_s)
        finally:
            adapter.switch()

    def settle(self) -> None:
        """Wait for late echoes and drop them; earlier oddities no longer count.

        For callers that then ask the device again what became of it.
        """
        self._bus.adapter.settle()
        self._bus.begin_check()

    def note(self, text: str, **facts: Any) -> None:  # noqa: ANN401 - plain JSON facts
        """A line in the journal."""
        if self._note is not None:
            self._note("note", text=text, device=str(self.rom), **facts)

    def verify(self) -> None:
        """Prove the ROM code by a directed search."""
        if not verify(self._bus, self.rom):
            raise DeviceAbsent(
                f"device {self.rom} does not answer", where=str(self.rom)
            )


class AllDevices(Selection):
    """All devices at once."""

    def __init__(self, bus: Bus) -> None:
        super().__init__(bus, None)
