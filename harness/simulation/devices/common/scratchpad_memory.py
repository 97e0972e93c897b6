"""The core of memories that are written through a scratchpad.

Source: data sheets of families 2Dh, 43h, 23h and of the RAM kinds: DS2431 p. 7-8,
20-22; DS28EC20 p. 7-11; DS2433 p. 4, 6; DS1992/DS1993/DS1994 p. 6, 10-11.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import TypeVar

from harness.simulation.devices.base import (
    LISTEN,
    Bits,
    Device,
    DeviceSurroundings,
    Slots,
)
from harness.simulation.devices.common.cells import CellWriter, initial
from harness.simulation.devices.common.memory_settings import MemorySettings
from harness.wire.crc import crc16_sent
from harness.wire.romcode import RomCode

WRITE_SCRATCHPAD = 0x0F
READ_SCRATCHPAD = 0xAA
COPY_SCRATCHPAD = 0x55
READ_MEMORY = 0xF0

PF = 0x20
OF = 0x40
AA = 0x80

MemoryT = TypeVar("MemoryT", bound=MemorySettings)


class ScratchpadMemory(Device[MemoryT]):
    """Target address, ending offset, flags; cells behind them.

    Attributes:
        cells: content, registers included.
        pad: the scratchpad.
        target: TA1 and TA2 as one number.
        end: ending offset.
        flags: PF, OF and AA as they stand in E/S.
    """

    size = 0
    pad_bytes = 32
    checks_writes = True
    checks_reads = True
    alternates = True
    copy_command = COPY_SCRATCHPAD

    def __init__(
        self,
        *,
        settings: MemoryT,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.cells = initial(self.size, settings.content, settings.fill)
        self.writer = CellWriter(self, self.cells)
        self.pad = bytearray(self.pad_bytes)
        self.target = 0
        self.end = 0
        self.flags = 0
        self._was_lost = False

    # for the kinds to fill in

    def fold(self, address: int) -> int:
        """The address that the device really uses."""
        return address

    def staged(self, address: int, value: int) -> int:
        """What the scratchpad holds of a byte sent for an address."""
        return value

    def may_copy(self) -> bool:
        """True if nothing but the authorisation stands against a copy."""
        return True

    def write_cells(self, address: int, values: bytes) -> None:
        """Begin to put the scratchpad into the cells; ``copied`` ends it."""
        raise NotImplementedError

    def other_function(self, command: int) -> Slots:
        """Commands beyond the common four."""
        yield from ()

    # state

    @property
    def mask(self) -> int:
        """Bits of an address that count inside the scratchpad."""
        return self.pad_bytes - 1

    @property
    def status(self) -> int:
        """E/S."""
        return self.end | self.flags

    def load_power_on_values(self) -> None:
        """The scratchpad holds anything; a copy cut short shows in PF."""
        self.pad[:] = self.random.randbytes(self.pad_bytes)
        self.target = self.end = 0
        self.flags = PF if self._was_lost else 0
        self._was_lost = False

    def abandon_work(self) -> None:
        """Power fails while cells are written."""
        self._was_lost = self.writer.is_busy
        self.writer.lose_power()

    def copied(self, well: bool) -> None:
        """A copy came to its end."""
        self.flags |= AA if well else PF

    # commands

    def function(self, command: int) -> Slots:
        """The four common commands, then those of the kind."""
        commands: dict[int, Callable[[], Slots]] = {
            WRITE_SCRATCHPAD: self._write_scratchpad,
            READ_SCRATCHPAD: self._read_scratchpad,
            self.copy_command: self._copy_scratchpad,
            READ_MEMORY: self._read_memory,
        }
        if self.writer.is_busy:
            return
        yield from commands.get(command, lambda: self.other_function(command))()

    def _receive_data(self) -> Bits:
        """A byte; one that a reset cuts short sets PF."""
        value = received = 0
        try:
            for place in range(8):
                bit = yield LISTEN
                value |= bit << place
                received += 1
        finally:
            # the low of a reset begins like a slot, and is none
            if 1 < received < 8:
                self.flags |= PF
        return value

    def receive_address(self) -> Bits:
        """TA1 and TA2."""
        low = yield from self.receive_byte()
        high = yield from self.receive_byte()
        return low | high << 8

    def _write_scratchpad(self) -> Slots:
        sent = bytearray([WRITE_SCRATCHPAD])
        address = yield from self.receive_address()
        sent += address.to_bytes(2, "little")
        self.target = self.fold(address)
        self.flags = 0
        offset = self.target & self.mask
        self.end = (offset - 1) & self.mask
        while offset < self.pad_bytes:
            value = yield from self._receive_data()
            sent.append(value)
            self.pad[offset] = self.staged(self.target & ~self.mask | offset, value)
            self.end = offset
            offset += 1
        if self.checks_writes:
            yield from self.send_bytes(crc16_sent(sent))
        else:
            yield LISTEN  # the low of a reset begins like a slot, and is none
            while True:
                yield LISTEN
                self.flags |= OF

    def _read_scratchpad(self) -> Slots:
        head = [*self.target.to_bytes(2, "little"), self.status]
        answer = bytes([*head, *self.pad[self.target & self.mask :]])
        yield from self.send_bytes(answer)
        if self.checks_reads:
            yield from self.send_bytes(crc16_sent([READ_SCRATCHPAD, *answer]))

    def _copy_scratchpad(self) -> Slots:
        address = yield from self.receive_address()
        status = yield from self.receive_byte()
        authorised = (address, status) == (self.target, self.status)
        if not authorised or self.flags & PF or not self.may_copy():
            return
        first, last = self.target & self.mask, self.end
        if last < first:
            return
        self.write_cells(self.target, bytes(self.pad[first : last + 1]))
        phase = 0

        def pattern() -> int:
            return phase if self.flags & AA and not self.writer.is_busy else LISTEN

        while True:
            yield pattern
            if self.alternates and pattern() is phase:
                phase ^= 1

    def _read_memory(self) -> Slots:
        address = yield from self.receive_address()
        yield from self.send_bytes(bytes(self.cells[self.fold(address) :]))
