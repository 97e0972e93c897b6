"""Families 2Dh, 43h and 23h: EEPROM with a scratchpad.

Source: data sheets of families 2Dh (part DS2431), 43h (DS28EC20), 23h (DS2433): DS2431
p. 7-8, 20-22; DS28EC20 p. 7-11; DS2433 p. 4, 6. Factory byte of 43h: from memory.
"""

from __future__ import annotations

from pydantic import Field

from harness.simulation.devices.base import Slots
from harness.simulation.devices.common.memory_settings import EepromSettings, of_size
from harness.simulation.devices.common.scratchpad_memory import ScratchpadMemory
from harness.simulation.devices.kind import DeviceKind
from harness.wire.crc import crc16_sent

EXTENDED_READ = 0xA5
READ_ONLY = 0x55
ZEROS_ONLY = 0xAA
CLOSED = frozenset({READ_ONLY, ZEROS_ONLY})


class Eeprom(ScratchpadMemory[EepromSettings]):
    """Cells that take time and current, and may be protected."""

    def write_cells(self, address: int, values: bytes) -> None:
        """Milliseconds, and a good supply all the while."""
        settings = self.settings
        self.writer.start(
            address,
            values,
            length_ms=settings.copy_ms,
            active_ma=settings.active_ma,
            least_v=settings.copy_min_v,
            done=self.copied,
        )

    def protection(self, address: int) -> int:
        """55h, AAh, or anything else for open."""
        return 0

    def staged(self, address: int, value: int) -> int:
        """A protected cell shows what it holds, or what zeros can make of it."""
        if address >= self.size:
            return value
        held, protection = self.cells[address], self.protection(address)
        if protection == READ_ONLY:
            return held
        return value & held if protection == ZEROS_ONLY else value


class Eeprom2D(Eeprom):
    """Four pages in rows of eight; whole rows are copied."""

    size = 0x90
    pad_bytes = 8
    knows_resume = True
    knows_overdrive = True

    def protection(self, address: int) -> int:
        """By page; protection bytes that say so protect themselves."""
        if address < 0x80:
            return self.cells[0x80 + address // 32]
        if address < 0x85:
            return READ_ONLY if self.cells[address] in CLOSED else 0
        if address == 0x85:
            return READ_ONLY
        if address < 0x88:
            return READ_ONLY if self.cells[0x85] == 0xAA else 0
        return READ_ONLY

    def may_copy(self) -> bool:
        """A whole row, and copy protection against nothing that is closed."""
        if self.target & self.mask or self.end != self.mask or self.target >= self.size:
            return False
        locked = self.cells[0x84] in CLOSED
        in_registers = self.target >= 0x80
        return not locked or not (
            in_registers or self.protection(self.target) == READ_ONLY
        )


class Eeprom43(Eeprom):
    """Ten blocks of eight pages; a page is read with a CRC."""

    size = 0xA40
    knows_resume = True
    knows_overdrive = True

    _out_of_sequence = False

    def protection(self, address: int) -> int:
        """By block; protection bytes that say so protect themselves."""
        if address < 0xA00:
            return self.cells[0xA00 + address // 256]
        if address < 0xA0A or address in {0xA1E, 0xA1F}:
            return READ_ONLY if self.cells[address] in CLOSED else 0
        return 0 if address < 0xA1E else READ_ONLY

    def may_copy(self) -> bool:
        """No memory read since the scratchpad was written, no lock in the way."""
        if self._out_of_sequence or self.target >= 0xA20:
            return False
        if self.target >= 0xA00:
            return self.cells[0xA1F] not in CLOSED
        return (
            self.cells[0xA1E] not in CLOSED
            or self.protection(self.target) not in CLOSED
        )

    def function(self, command: int) -> Slots:
        """Notes whether a read comes between write and copy."""
        if command == 0x0F:
            self._out_of_sequence = False
        elif command in {0xF0, EXTENDED_READ}:
            self._out_of_sequence = True
        yield from super().function(command)

    def other_function(self, command: int) -> Slots:
        """Extended read: each page ends in its CRC-16."""
        if command != EXTENDED_READ:
            return
        address = yield from self.receive_address()
        covered = bytearray([command]) + address.to_bytes(2, "little")
        while address < self.size:
            page_end = address - address % 32 + 32
            page = bytes(self.cells[address:page_end])
            covered += page
            yield from self.send_bytes(page + crc16_sent(covered))
            covered.clear()
            address = page_end


class QuickEepromSettings(EepromSettings):
    """Five milliseconds at most instead of ten."""

    copy_ms: float = Field(
        default=3.5, gt=0, le=100, description="time to write cells; 5 at most"
    )


class Eeprom23(Eeprom):
    """Sixteen pages, nothing protected; high address bits are forced to zero."""

    size = 0x200
    checks_reads = False

    def fold(self, address: int) -> int:
        """Nine bits of the address count."""
        return address & 0x1FF


def _kind(
    family: int,
    title: str,
    model: type[Eeprom],
    settings: type[EepromSettings] = EepromSettings,
) -> DeviceKind:
    return DeviceKind(
        family=family,
        title=title,
        settings=of_size(settings, model.size),
        model=model,
    )


KINDS = (
    _kind(0x2D, "EEPROM, 1 Kbit", Eeprom2D),
    _kind(0x43, "EEPROM, 20 Kbit", Eeprom43),
    _kind(0x23, "EEPROM, 4 Kbit", Eeprom23, QuickEepromSettings),
)
