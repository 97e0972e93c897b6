"""Family 41h: logger for temperature, or temperature and humidity.

The first sample is taken when the mission starts, the others a period apart. A
conversion with the oscillator off kills the part, as on the real one.

Source: data sheets DS1922L/T (family 41h) p. 18-25, DS1923 p. 14-24; bits of 0213h and 0214h: from memory. Passwords are not modelled.
"""

from __future__ import annotations

from random import Random
from typing import Literal

from pydantic import Field

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
from harness.wire.crc import crc8, crc16_sent
from harness.wire.romcode import RomCode

MEMCLR, MIP = 0x08, 0x02
LOG_BYTES = 8192
CONVERT_US = 500_000.0
ZERO = {0x00: 41.0, 0x20: 41.0, 0x40: 41.0, 0x60: 1.0, 0x80: -14.0}
MODEL_BYTES = {"chip": 0x00, "humidity": 0x20, "L": 0x40, "T": 0x60, "E": 0x80}


class ClimateSettings(LoggerSettings):
    """What it measures, and how wrong its sensors are."""

    model: Literal["chip", "humidity", "L", "T", "E"] = Field(
        default="humidity", description="kind of logger"
    )
    humidity_rh: float = Field(
        default=45.0, ge=0, le=100, description="what it measures, in percent"
    )
    sensor_error_degc: float = Field(
        default=0.0, ge=-5, le=5, description="of the sensor; its calibration knows it"
    )
    sensor_error_rh: float = Field(
        default=0.0,
        ge=-10,
        le=10,
        description="of the sensor; its calibration knows it",
    )
    leaves_to_sample: bool = Field(
        default=False,
        description="it leaves a read of its memory while it takes a sample",
    )


class ClimateLogger(ScratchpadMemory[ClimateSettings]):
    """Clock, mission, log and calibration.

    Attributes:
        temperature_degc, humidity_rh: what it measures.
        calendar: its clock.
        registers: 0200-023F; clock bytes are made when they are read.
        calibration: 0240-025F.
        log: 1000-2FFF.
        is_sampling: a sample is being taken.
        is_dead: a conversion without oscillator has killed it.
        cell_is_empty: a fault; it accepts a mission and never samples.
    """

    size = 0x200
    pad_bytes = 32

    def __init__(
        self,
        *,
        settings: ClimateSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.temperature_degc = settings.temperature_degc
        self.humidity_rh = settings.humidity_rh
        self.calendar = Calendar(settings, surroundings)
        self.model_byte = MODEL_BYTES[settings.model]
        self.registers = bytearray(64)
        self.registers[0x0C:0x10] = b"\xff" * 4
        self.registers[0x11:0x14] = bytes([0xFC, int(settings.oscillator_on), 0xC1])
        self.registers[0x15] = 0xC0
        self.registers[0x23] = 25
        self.registers[0x26] = self.model_byte
        self.calibration = self._calibrated()
        self.log = bytearray(LOG_BYTES)
        self.is_dead = False
        self.cell_is_empty = False
        self.is_sampling = False
        self._mission = 0

    def _calibrated(self) -> bytearray:
        settings, page = self.settings, b""
        for reference in (10.0, 35.0):
            seen = reference + settings.sensor_error_degc
            page += self.degc_bytes(reference) + self.degc_bytes(seen)
        for reference in (20.0, 50.0, 80.0):
            seen = reference + settings.sensor_error_rh
            page += self.rh_bytes(reference) + self.rh_bytes(seen)
        page = page.ljust(31, b"\x00")
        return bytearray(page + bytes([crc8(page)]))

    # scales

    def degc_bytes(self, degc: float) -> bytes:
        """Temperature as high and low byte, the low one with its fraction only."""
        sixteenths = round((degc + ZERO[self.model_byte]) * 16)
        held = max(0, min(0x7FF, sixteenths))
        return bytes([held >> 3, (held & 0x07) << 5])

    def rh_bytes(self, rh: float) -> bytes:
        """Humidity as high and low byte, twelve bits."""
        steps = round((rh * 0.0307 + 0.958) * 4096 / 5.02)
        return (max(0, min(0xFFF, steps)) << 4).to_bytes(2, "big")

    def sensed(self) -> tuple[bytes, bytes]:
        """What the sensors say now."""
        settings = self.settings
        degc = self.temperature_degc + settings.sensor_error_degc
        rh = self.humidity_rh + settings.sensor_error_rh
        return self.degc_bytes(degc), self.rh_bytes(rh)

    # what the host can write

    def may_copy(self) -> bool:
        """User RAM; the setup page while no mission runs."""
        if self.target < self.size:
            return True
        return self.target < 0x220 and not self.registers[0x15] & MIP

    def write_cells(self, address: int, values: bytes) -> None:
        """At once, from the internal cell."""
        if address < self.size:
            self.cells[address : address + len(values)] = values
        else:
            self._store(address - 0x200, values)
        self.copied(True)

    def _store(self, first: int, values: bytes) -> None:
        registers = self.registers
        for place, value in enumerate(values, first):
            if not (0x0C <= place <= 0x0F or place in {0x14, 0x15} or place > 0x18):
                registers[place] = value
        registers[0x11] |= 0xFC
        registers[0x13] |= 0xC0
        if first <= 5:
            second, minute, hour, date, month, year = registers[:6]
            when = date_time(year, month, date, hour, minute, second)
            if when is not None:
                self.calendar.set(when)
        if first <= 0x12 < first + len(values):
            self.calendar.run(bool(registers[0x12] & 0x01))

    # measuring

    def _count(self, place: int) -> int:
        value = int.from_bytes(self.registers[place : place + 3], "little") + 1
        self.registers[place : place + 3] = value.to_bytes(3, "little")
        return value

    def _measure(self) -> tuple[bytes, bytes]:
        if not self.calendar.runs:
            self.is_dead = True
        degc, rh = self.sensed()
        self.registers[0x0C:0x0E] = degc[::-1]
        if self.model_byte in {0x00, 0x20}:
            self.registers[0x0E:0x10] = rh[::-1]
        self._count(0x23)
        return degc, rh

    def _begin_mission(self) -> None:
        registers = self.registers
        if registers[0x15] & MIP or not registers[0x15] & MEMCLR:
            return
        registers[0x15] = 0xC0 | MIP
        now = self.calendar.now()
        registers[0x19:0x1F] = bytes(
            bcd(value)
            for value in (
                now.second, now.minute, now.hour, now.day, now.month, now.year % 100,
            )
        )  # fmt: skip
        self._mission += 1
        self._next_sample(
            self._mission, 60.0 * int.from_bytes(registers[0x16:0x19], "little")
        )

    def _next_sample(self, mission: int, wait_s: float) -> None:
        if not self.cell_is_empty:
            begin_us = self.calendar.bench_us(wait_s)
            self.surroundings.after(begin_us, lambda: self._begin_sample(mission))
            self.surroundings.after(
                begin_us + CONVERT_US,
                lambda: self._sample(mission),
            )

    def _begin_sample(self, mission: int) -> None:
        self.is_sampling = mission == self._mission

    def _sample(self, mission: int) -> None:
        self.is_sampling = False
        if mission != self._mission:
            return
        registers = self.registers
        degc, rh = self._measure()
        if self.is_dead:
            return
        self._log(self._count(0x20) - 1, degc, rh)
        for place, enable, value in ((0x08, 0x10, degc[0]), (0x0A, 0x11, rh[0])):
            low, high = registers[place], registers[place + 1]
            shift = 0 if place == 0x08 else 2
            if registers[enable] & 0x01 and value <= low:
                registers[0x14] |= 0x01 << shift
            if registers[enable] & 0x02 and value >= high:
                registers[0x14] |= 0x02 << shift
        period = max(1, int.from_bytes(registers[0x06:0x08], "little"))
        unit_s = 1.0 if registers[0x12] & 0x02 else 60.0
        self._next_sample(mission, period * unit_s - CONVERT_US / 1e6)

    def _log(self, number: int, degc: bytes, rh: bytes) -> None:
        control = self.registers[0x13]
        both = control & 0x03 == 0x03
        room = LOG_BYTES // 2 if both else LOG_BYTES
        for bit, fine, value, start in (
            (0x01, 0x04, degc, 0),
            (0x02, 0x08, rh, room if both else 0),
        ):
            width = 2 if control & fine else 1
            place = number * width
            if control & bit and (place < room or control & 0x10):
                at = start + place % room
                self.log[at : at + width] = value[:width]

    # what the host can read

    def image(self) -> bytearray:
        """All memory as it stands now."""
        image = bytearray(0x3000)
        image[: self.size] = self.cells
        image[0x200:0x240] = self.registers
        now = self.calendar.now()
        image[0x200:0x206] = bytes(
            bcd(value)
            for value in (
                now.second, now.minute, now.hour, now.day, now.month, now.year % 100,
            )
        )  # fmt: skip
        image[0x240:0x260] = image[0x260:0x280] = self.calibration
        image[0x1000:] = self.log
        return image

    def function(self, command: int) -> Slots:
        """All but the scratchpad's two commands differ from other kinds."""
        if self.is_dead:
            return
        if command in {0x0F, 0xAA}:
            yield from super().function(command)
        elif command == 0x99:
            yield from self._copy_with_password()
        elif command == 0x69:
            yield from self._read_with_password()
        elif command == 0x55:
            if (yield from self.receive_byte()) == 0xFF:
                self._force()
        elif command in {0x96, 0xCC, 0x33}:
            for _ in range(8):
                yield from self.receive_byte()
            if (yield from self.receive_byte()) == 0xFF:
                self._act(command)

    def _force(self) -> None:
        if not self.registers[0x15] & MIP:
            self.surroundings.after(CONVERT_US, self._forced)

    def _forced(self) -> None:
        self._measure()

    def _act(self, command: int) -> None:
        if command == 0xCC:
            self._begin_mission()
        elif command == 0x33:
            self._mission += 1
            self.registers[0x15] &= ~MIP & 0xFF
        elif not self.registers[0x15] & MIP:
            self.registers[0x14] = 0
            self.registers[0x19:0x23] = bytes(10)
            self.registers[0x15] = 0xC0 | MEMCLR

    def _copy_with_password(self) -> Slots:
        address = yield from self.receive_address()
        status = yield from self.receive_byte()
        for _ in range(8):
            yield from self.receive_byte()
        first = self.target & self.mask
        right = (address, status) == (self.target, self.status) and first <= self.end
        if not right or self.flags & 0x20 or not self.may_copy():
            return
        self.write_cells(self.target, bytes(self.pad[first : self.end + 1]))
        while True:
            yield from self.send_byte(0xAA)

    def _read_with_password(self) -> Slots:
        address = yield from self.receive_address()
        for _ in range(8):
            yield from self.receive_byte()
        covered = bytearray([0x69]) + address.to_bytes(2, "little")
        image = self.image()
        while address < len(image):
            page_end = (address & ~31) + 32
            data = bytes(image[address:page_end])
            covered += data
            for value in data + crc16_sent(covered):
                if self.is_sampling and self.settings.leaves_to_sample:
                    return
                yield from self.send_byte(value)
            covered.clear()
            address = page_end


KINDS = (
    DeviceKind(
        family=0x41,
        title="logger, temperature or temperature and humidity",
        settings=of_size(ClimateSettings, 0x200),
        model=ClimateLogger,
    ),
)
