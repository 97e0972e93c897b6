"""Families 09h, 0Bh, 0Fh and their customised forms: cells that 12 V clears for ever.

The device takes whatever stands in its buffer when the line is lifted for 480 us or
more; it never judges a check value. Source: data sheets of families 09h (part DS2502),
0Bh and 0Fh (DS2505, DS2506): DS2502 p. 5, 10, 12; DS2505 p. 4-5, 11-14; DS2506 p. 5, 7,
11.
"""

from __future__ import annotations

from functools import partial
from random import Random

from harness.simulation.devices.base import Bits, Device, DeviceSurroundings, Slots
from harness.simulation.devices.common.cells import initial
from harness.simulation.devices.common.memory_settings import MemorySettings, of_size
from harness.simulation.devices.kind import DeviceKind
from harness.wire.crc import crc8, crc16_sent
from harness.wire.romcode import RomCode

READ_MEMORY = 0xF0
EXTENDED_READ = 0xA5
READ_STATUS = 0xAA
WRITE_MEMORY = 0x0F
WRITE_STATUS = 0x55

SHORTEST_PULSE_US = 480.0
LONGEST_PULSE_US = 5000.0


def _bit_of(row: bytearray, address: int, place: int) -> int:
    return row[address] >> place & 1


class WriteOnce(Device[MemorySettings]):
    """Data and status cells, and the byte that waits for its pulse.

    Attributes:
        cells: data memory.
        status: protection bits, redirection bytes.
    """

    stands_programming = True
    size = 0
    status_size = 0
    is_short = False

    def __init__(
        self,
        *,
        settings: MemorySettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.cells = initial(self.size, settings.content, settings.fill)
        self.status = bytearray(b"\xff" * self.status_size)
        if self.is_short:
            self.status[7] = 0x00
        self._waiting: tuple[bytearray, int, int] | None = None
        self._lifted_us = 0.0

    def lift(self, lifted: bool) -> None:
        """The line goes to the programming voltage, or comes back."""
        now_us = self.surroundings.now_us()
        if lifted:
            self._lifted_us = now_us
            return
        width_us = now_us - self._lifted_us
        if self._waiting and SHORTEST_PULSE_US <= width_us <= LONGEST_PULSE_US:
            row, address, value = self._waiting
            if not (row is self.cells and self._is_frozen(address)):
                row[address] &= value
        self._waiting = None

    def _is_frozen(self, address: int) -> bool:
        page = address // 32
        return not self.status[page // 8] >> page % 8 & 1

    def restart(self, *, leave_overdrive: bool = True) -> None:
        """A reset: no byte waits any more."""
        self._waiting = None
        super().restart(leave_overdrive=leave_overdrive)

    # commands

    def function(self, command: int) -> Slots:
        """Reads and programming of memory and status."""
        address = yield from self._receive_address()
        opening = bytes([command]) + address.to_bytes(2, "little")
        if command == WRITE_MEMORY:
            yield from self._program(self.cells, opening, address)
        elif command == WRITE_STATUS:
            yield from self._program(self.status, opening, address)
        elif self.is_short:
            yield from self._read_short(command, opening, address)
        else:
            yield from self._read_long(command, opening, address)

    def _receive_address(self) -> Bits:
        low = yield from self.receive_byte()
        high = yield from self.receive_byte()
        return low | high << 8

    def check(self, data: bytes, start: int = 0) -> bytes:
        """Check bytes as sent; ``start`` is what the register is loaded with."""
        if self.is_short:
            return bytes([crc8(data, start & 0xFF)])
        return crc16_sent(data, start)

    def _program(self, row: bytearray, opening: bytes, address: int) -> Slots:
        covered, start = opening, 0
        while address < len(row):
            value = yield from self.receive_byte()
            yield from self.send_bytes(self.check(covered + bytes([value]), start))
            self._waiting = (row, address, value)
            for place in range(8):
                # asked when the slot begins, which is after the pulse
                yield partial(_bit_of, row, address, place)
            address += 1
            covered, start = b"", address

    def _read_short(self, command: int, opening: bytes, address: int) -> Slots:
        rows = {READ_MEMORY: self.cells, READ_STATUS: self.status}
        if command in rows:
            yield from self.send_bytes(self.check(opening))
            data = bytes(rows[command][address:])
            yield from self.send_bytes(data + self.check(data))

    def _read_long(self, command: int, opening: bytes, address: int) -> Slots:
        if command == READ_MEMORY:
            data = bytes(self.cells[address:])
            yield from self.send_bytes(data + self.check(opening + data))
        elif command == READ_STATUS:
            yield from self._read_status(opening, address)
        elif command == EXTENDED_READ:
            yield from self._read_extended(opening, address)

    def _read_status(self, opening: bytes, address: int) -> Slots:
        covered = opening
        while address < self.status_size:
            end = address - address % 8 + 8
            data = bytes(self.status[address:end])
            yield from self.send_bytes(data + self.check(covered + data))
            covered, address = b"", end

    def _read_extended(self, opening: bytes, address: int) -> Slots:
        covered = opening
        while address < self.size:
            end = address - address % 32 + 32
            redirection = bytes([self.status[0x100 + address // 32]])
            yield from self.send_bytes(redirection + self.check(covered + redirection))
            data = bytes(self.cells[address:end])
            yield from self.send_bytes(data + self.check(data))
            covered, address = b"", end


class WriteOnce1K(WriteOnce):
    """128 bytes; a CRC-8 throughout."""

    size = 0x80
    status_size = 8
    is_short = True


class WriteOnce16K(WriteOnce):
    """2048 bytes; a CRC-16 throughout."""

    size = 0x800
    status_size = 0x140


class WriteOnce64K(WriteOnce):
    """8192 bytes; a CRC-16 throughout."""

    size = 0x2000
    status_size = 0x200
    knows_overdrive = True


_SIZES: tuple[tuple[int, int, type[WriteOnce]], ...] = (
    (0x09, 1, WriteOnce1K),
    (0x0B, 16, WriteOnce16K),
    (0x0F, 64, WriteOnce64K),
)

KINDS = tuple(
    DeviceKind(
        family=code | custom,
        title=f"write-once memory, {kbit} Kbit",
        settings=of_size(MemorySettings, model.size),
        model=model,
    )
    for code, kbit, model in _SIZES
    for custom in (0x00, 0x80)
)
