"""Family 14h: 256 bit of EEPROM, and a register that locks once.

Source: data sheet of family 14h (part DS2430A) p. 5-8, 14.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from pydantic import Field

from harness.simulation.devices.base import (
    LISTEN,
    Bits,
    Device,
    DeviceSurroundings,
    Slots,
)
from harness.simulation.devices.common.cells import CellWriter, initial
from harness.simulation.devices.common.memory_settings import EepromSettings
from harness.simulation.devices.kind import DeviceKind
from harness.wire.romcode import RomCode

VALIDATION = 0xA5
OPEN, LOCKED = 0xFF, 0xFC


class LockableEepromSettings(EepromSettings):
    """With a register that may be locked already."""

    most_bytes = 32

    locked: bool = Field(default=False, description="application register is locked")


class LockableEeprom(Device[LockableEepromSettings]):
    """Two pads, two rows of cells, one lock.

    Attributes:
        cells: 32 bytes of EEPROM.
        register: 8 bytes of the application register.
        is_locked: True once it was locked.
    """

    def __init__(
        self,
        *,
        settings: LockableEepromSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.cells = initial(32, settings.content, settings.fill)
        self.register = bytearray(b"\xff" * 8)
        self.is_locked = settings.locked
        self.pad = bytearray(self.cells)
        self.register_pad = bytearray(self.register)
        self.writer = CellWriter(self, self.cells)
        self.register_writer = CellWriter(self, self.register)

    def load_power_on_values(self) -> None:
        """The pads hold anything."""
        self.pad[:] = self.random.randbytes(32)
        self.register_pad[:] = self.random.randbytes(8)

    def abandon_work(self) -> None:
        """Power fails while cells are written."""
        self.writer.lose_power()
        self.register_writer.lose_power()

    def function(self, command: int) -> Slots:
        """The eight commands."""
        commands: dict[int, Callable[[], Slots]] = {
            0x0F: lambda: self._take(self.pad),
            0xAA: lambda: self._show(self.pad),
            0x55: self._copy,
            0xF0: self._read_memory,
            0x99: self._write_register,
            0xC3: lambda: self._show(
                self.register if self.is_locked else self.register_pad
            ),
            0x5A: self._lock,
            0x66: self._show_status,
        }
        if command in commands and not self._is_busy:
            yield from commands[command]()

    @property
    def _is_busy(self) -> bool:
        return self.writer.is_busy or self.register_writer.is_busy

    def _take(self, pad: bytearray) -> Slots:
        address = yield from self.receive_byte()
        while True:
            value = yield from self.receive_byte()
            pad[address % len(pad)] = value
            address += 1

    def _show(self, row: bytearray) -> Slots:
        address = yield from self.receive_byte()
        while True:
            yield from self.send_byte(row[address % len(row)])
            address += 1

    def _read_memory(self) -> Slots:
        self.pad[:] = self.cells
        yield from self._show(self.cells)

    def _write_register(self) -> Slots:
        yield from self._take(bytearray(8) if self.is_locked else self.register_pad)

    def _show_status(self) -> Slots:
        yield from self.receive_byte()
        yield from self.send_byte(LOCKED if self.is_locked else OPEN)

    def _copy(self) -> Slots:
        if (yield from self._validated()) == VALIDATION:
            self._write(self.writer, bytes(self.pad), lambda _: None)
            yield LISTEN

    def _lock(self) -> Slots:
        def locked(well: bool) -> None:
            self.is_locked = self.is_locked or well

        if (yield from self._validated()) == VALIDATION and not self.is_locked:
            self._write(self.register_writer, bytes(self.register_pad), locked)
            yield LISTEN

    def _validated(self) -> Bits:
        value = yield from self.receive_byte()
        return value

    def _write(
        self, writer: CellWriter, values: bytes, done: Callable[[bool], None]
    ) -> None:
        settings = self.settings
        writer.start(
            0,
            values,
            length_ms=settings.copy_ms,
            active_ma=settings.active_ma,
            least_v=settings.copy_min_v,
            done=done,
        )


KINDS = (
    DeviceKind(
        family=0x14,
        title="EEPROM, 256 bit, lockable register",
        settings=LockableEepromSettings,
        model=LockableEeprom,
    ),
)
