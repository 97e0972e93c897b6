"""Family 21h: temperature logger.

Samples fall on the device's own minutes; the first one comes a period and the delay
after the minute of the start.

Source: data sheets DS1921G (family 21h) p. 10-17 and 35-40, DS1921H/Z p. 9-14 and 22-23.
Range codes in the ROM code and scale of the H kind: from memory.
"""

from __future__ import annotations

from random import Random

from harness.simulation.devices.base import DeviceSurroundings, Slots
from harness.simulation.devices.common.memory_settings import of_size
from harness.simulation.devices.common.scratchpad_memory import ScratchpadMemory
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.devices.loggers.calendar import (
    Calendar,
    LoggerSettings,
    bcd,
    date_time,
)
from harness.wire.crc import crc16_sent
from harness.wire.romcode import RomCode

REGISTERS_AT, LAST_SETTING, STATUS_AT = 0x200, 0x213, 0x214
EOSC, EMCLR, EM, RO = 0x80, 0x40, 0x10, 0x08
TCB, MEMCLR, MIP = 0x80, 0x40, 0x20
TLF, THF, TAF = 0x04, 0x02, 0x01
LOG_BYTES, ALARM_ROWS = 2048, 12
CONVERT_US = 80_000.0

SCALES = {0x3B2: (8.0, 5.5), 0x4F2: (8.0, -14.5)}
"""Steps a degree, and degrees added before; from the range code in the ROM code."""


class TemperatureLogger(ScratchpadMemory[LoggerSettings]):
    """Clock, mission, log, histogram, alarms.

    Attributes:
        temperature_degc: what it measures.
        calendar: its clock.
        registers: 0200-021F; clock bytes are made when they are read.
        log: samples of the mission.
        histogram: counts of 64 bins.
        alarms: low and high records, each the first sample and a duration.
        cell_is_empty: a fault; it accepts a mission and never samples.
    """

    size = 0x200
    pad_bytes = 32

    def __init__(
        self,
        *,
        settings: LoggerSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.temperature_degc = settings.temperature_degc
        self.calendar = Calendar(settings, surroundings)
        self.registers = bytearray(32)
        self.registers[0x0E] = 0x00 if settings.oscillator_on else EOSC
        self.registers[0x14] = TCB
        self.registers[0x1D] = 12
        self.log = bytearray(LOG_BYTES)
        self.histogram = [0] * 64
        self.alarms: tuple[list[list[int]], list[list[int]]] = ([], [])
        self.cell_is_empty = False
        self._mission = 0
        self._may_clear = False

    # what the host can write

    def may_copy(self) -> bool:
        """User RAM and registers up to the status."""
        return self.target + len(self._staged_bytes()) - 1 <= STATUS_AT

    def _staged_bytes(self) -> bytes:
        first = self.target & self.mask
        return bytes(self.pad[first : self.end + 1])

    def write_cells(self, address: int, values: bytes) -> None:
        """At once, from the internal cell."""
        if address < self.size:
            self.cells[address : address + len(values)] = values
        else:
            self._store(address - REGISTERS_AT, values)
        self.copied(True)

    def _store(self, first: int, values: bytes) -> None:
        registers = self.registers
        touched = range(first, first + len(values))
        if registers[0x14] & MIP and first <= LAST_SETTING - REGISTERS_AT:
            self._end_mission()
        for place, value in zip(touched, values, strict=True):
            if place == 0x14:
                self._clear_flags(value)
            elif place not in {0x0F, 0x10, 0x11}:
                registers[place] = value
        if first <= 6:
            self._set_clock()
        if 0x0E in touched:
            self.calendar.run(not registers[0x0E] & EOSC)
            self._may_clear = bool(registers[0x0E] & EMCLR)
            registers[0x0E] &= ~EMCLR
        if 0x0D in touched and registers[0x0D]:
            self._begin_mission()

    def _clear_flags(self, value: int) -> None:
        """Status flags can be cleared, not set; without its flag a mission ends."""
        if not value & MIP:
            self._end_mission()
        self.registers[0x14] &= value | ~(MIP | TLF | THF | TAF) & 0xFF

    def _set_clock(self) -> None:
        second, minute, hour, _, date, month, year = self.registers[:7]
        when = date_time(year, month, date, hour, minute, second)
        if when is not None:
            self.calendar.set(when)

    # measuring

    def raw(self) -> int:
        """The temperature as a byte."""
        scale, zero = SCALES.get(self.true_rom.serial >> 36, (2.0, 40.0))
        return max(0, min(0xFF, round((self.temperature_degc + zero) * scale)))

    def _count(self, place: int) -> int:
        value = int.from_bytes(self.registers[place : place + 3], "little") + 1
        self.registers[place : place + 3] = value.to_bytes(3, "little")
        return value

    def _begin_mission(self) -> None:
        registers = self.registers
        status, control = registers[0x14], registers[0x0E]
        if status & MIP or not status & MEMCLR or control & EM:
            return
        registers[0x14] = status & ~MEMCLR & 0xFF | MIP
        now = self.calendar.now()
        registers[0x15:0x1A] = bytes(
            bcd(value)
            for value in (now.minute, now.hour, now.day, now.month, now.year % 100)
        )
        delay_min = int.from_bytes(registers[0x12:0x14], "little")
        self._mission += 1
        into_minute_s = now.second + now.microsecond / 1e6
        wait_s = 60 * (registers[0x0D] + delay_min) - into_minute_s
        self._next_sample(self._mission, wait_s)

    def _end_mission(self) -> None:
        self._mission += 1
        self.registers[0x14] &= ~MIP & 0xFF

    def _next_sample(self, mission: int, wait_s: float) -> None:
        # with the oscillator off no minute ever comes
        if self.calendar.runs and not self.cell_is_empty:
            self.surroundings.after(
                self.calendar.bench_us(wait_s), lambda: self._sample(mission)
            )

    def _sample(self, mission: int) -> None:
        if mission != self._mission:
            return
        raw = self.raw()
        number = self._count(0x1A)
        self._count(0x1D)
        if number <= LOG_BYTES or self.registers[0x0E] & RO:
            self.log[(number - 1) % LOG_BYTES] = raw
        self.histogram[raw >> 2] = min(0xFFFF, self.histogram[raw >> 2] + 1)
        low, high = self.registers[0x0B], self.registers[0x0C]
        for records, is_outside, flag in (
            (self.alarms[0], raw <= low, TLF),
            (self.alarms[1], raw >= high, THF),
        ):
            if is_outside:
                self.registers[0x14] |= flag
                self._note_alarm(records, number)
        self._next_sample(mission, 60.0 * self.registers[0x0D])

    def _note_alarm(self, records: list[list[int]], number: int) -> None:
        if records and sum(records[-1]) == number and records[-1][1] < 0xFF:
            records[-1][1] += 1
        elif len(records) < ALARM_ROWS:
            records.append([number, 1])

    # what the host can read

    def image(self) -> bytearray:
        """All memory as it stands now."""
        image = bytearray(0x2000)
        image[: self.size] = self.cells
        now = self.calendar.now()
        image[REGISTERS_AT : REGISTERS_AT + 32] = self.registers
        image[REGISTERS_AT : REGISTERS_AT + 7] = bytes(
            bcd(value)
            for value in (
                now.second, now.minute, now.hour, now.isoweekday(), now.day, now.month,
                now.year % 100,
            )
        )  # fmt: skip
        for start, records in ((0x220, self.alarms[0]), (0x250, self.alarms[1])):
            for place, (first, duration) in enumerate(records):
                at = start + 4 * place
                image[at : at + 4] = first.to_bytes(3, "little") + bytes([duration])
        for place, count in enumerate(self.histogram):
            image[0x800 + 2 * place : 0x802 + 2 * place] = count.to_bytes(2, "little")
        image[0x1000:0x1800] = self.log
        return image

    def function(self, command: int) -> Slots:
        """Any command but the clear calls the permission to clear off."""
        may_clear, self._may_clear = self._may_clear, False
        if command == 0xF0:
            address = yield from self.receive_address()
            yield from self.send_bytes(bytes(self.image()[address:]))
            while True:
                yield from self.send_byte(0x00)
        elif command == 0x3C:
            if may_clear and self.calendar.runs:
                self._clear()
        else:
            yield from super().function(command)

    def other_function(self, command: int) -> Slots:
        """Read with CRC, convert."""
        if command == 0xA5:
            yield from self._read_pages()
        elif command == 0x44 and not self.registers[0x14] & MIP:
            self.registers[0x14] &= ~TCB & 0xFF
            self.surroundings.after(CONVERT_US, self._convert)

    def _read_pages(self) -> Slots:
        address = yield from self.receive_address()
        covered = bytearray([0xA5]) + address.to_bytes(2, "little")
        image = self.image()
        while address < len(image):
            page_end = (address & ~31) + 32
            data = bytes(image[address:page_end])
            covered += data
            yield from self.send_bytes(data + crc16_sent(covered))
            covered.clear()
            address = page_end

    def _convert(self) -> None:
        self.registers[0x14] |= TCB
        self.registers[0x11] = self.raw()
        self._count(0x1D)

    def _clear(self) -> None:
        self.histogram = [0] * 64
        self.alarms = ([], [])
        self.registers[0x12:0x14] = bytes(2)
        self.registers[0x15:0x1D] = bytes(8)
        self.registers[0x14] = self.registers[0x14] & ~(TLF | THF | TAF) & 0xFF | MEMCLR


KINDS = (
    DeviceKind(
        family=0x21,
        title="temperature logger",
        settings=of_size(LoggerSettings, 0x200),
        model=TemperatureLogger,
    ),
)
