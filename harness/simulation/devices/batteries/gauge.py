"""The register file of battery gauges, with and without EEPROM behind it.

Source: data sheets DS2760 p. 7 and 11, DS2761 p. 8, 11-12 and 22-23, DS2762 p. 5 and 12,
DS2770 p. 11-15, DS2740 p. 6. Bits of 07h and that the
account is cut to whole steps: from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from math import floor, pi, sin
from random import Random
from typing import ClassVar, TypeVar

from pydantic import Field

from harness.simulation.devices.base import Device, DeviceSurroundings, Slots
from harness.simulation.devices.common.cells import CellWriter, initial
from harness.simulation.devices.common.memory_settings import EepromSettings
from harness.simulation.settings.device import DeviceSettings, Supply
from harness.wire.romcode import RomCode

READ, WRITE, COPY, RECALL, LOCK = 0x69, 0x6C, 0x48, 0xB8, 0x6A
CONTROL_AT = 0x07
EEC, LOCK_BIT = 0x80, 0x40
STEP_UVH = 6.25


class SenseSettings(DeviceSettings):
    """A current through a resistor."""

    current_a: float = Field(
        default=0.0, ge=-100, le=100, description="into the cell if positive"
    )
    sense_mohm: float = Field(
        default=25, gt=0, le=10_000, description="resistor that it flows through"
    )
    offset_counts: float = Field(
        default=0.0, ge=-100, le=100, description="what the converter adds"
    )
    wander_counts: float = Field(
        default=0.0,
        ge=0,
        le=100,
        description="by how much that wanders up and down around it",
    )
    wander_s: float = Field(
        default=3.0, gt=0, le=1e5, description="time of one such swing"
    )

    def added_counts(self, now_us: float) -> float:
        """What the converter adds at a moment."""
        swing = sin(2 * pi * now_us / 1e6 / self.wander_s)
        return self.offset_counts + self.wander_counts * swing


class GaugeSettings(SenseSettings, EepromSettings):
    """A cell, and EEPROM; ``content`` is that of the first block."""

    supply: Supply = Field(
        default=Supply.EXTERNAL, description="external supply pin or parasite power"
    )
    fill: int = Field(
        default=0x00, ge=0, le=0xFF, description="byte that the rest holds"
    )
    copy_ms: float = Field(
        default=2.0, gt=0, le=100, description="time to write cells; 10 at most"
    )
    cell_v: float = Field(default=3.7, ge=0, le=10, description="of the cell")
    temperature_degc: float = Field(
        default=25.0, ge=-60, le=130, description="of the part"
    )


SenseT = TypeVar("SenseT", bound=SenseSettings)
GaugeT = TypeVar("GaugeT", bound=GaugeSettings)


def clamped(value: float, bits: int) -> int:
    """The nearest whole number that fits into so many bits, sign included."""
    most = (1 << bits - 1) - 1
    return max(-most - 1, min(most, round(value)))


class Sense(Device[SenseT]):
    """Registers of current and account.

    Attributes:
        account_uvh: what the account holds, sense voltage times hours.
    """

    count_uv = 15.625
    current_shift = 3

    def __init__(
        self,
        *,
        settings: SenseT,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.account_uvh = 0.0
        self._current_a = settings.current_a
        self._since_us = surroundings.now_us()

    @property
    def current_a(self) -> float:
        """What flows into the cell."""
        return self._current_a

    @current_a.setter
    def current_a(self, value: float) -> None:
        self.advance()
        self._current_a = value

    def load_power_on_values(self) -> None:
        """The account starts from nothing."""
        self.account_uvh = 0.0
        self._since_us = self.surroundings.now_us()

    @property
    def sense_uv(self) -> float:
        """What the converter makes of the current."""
        settings = self.settings
        added = settings.added_counts(self.surroundings.now_us())
        offset_uv = added * self.count_uv
        return self._current_a * settings.sense_mohm * 1000 + offset_uv

    def advance(self) -> None:
        """Count up to now."""
        now_us = self.surroundings.now_us()
        self.account_uvh += self.sense_uv * (now_us - self._since_us) / 3.6e9
        self._since_us = now_us

    # registers

    def image(self) -> bytearray:
        """All registers as they stand now."""
        image = bytearray(b"\xff" * 256)
        counts = clamped(self.sense_uv / self.count_uv, 16 - self.current_shift)
        raw = counts << self.current_shift
        image[0x0E:0x10] = raw.to_bytes(2, "big", signed=True)
        steps = max(-0x8000, min(0x7FFF, floor(self.account_uvh / STEP_UVH)))
        image[0x10:0x12] = steps.to_bytes(2, "big", signed=True)
        image[0x01] = image[CONTROL_AT] = image[0x08] = 0x00
        return image

    def store(self, address: int, value: int) -> None:
        """A byte written by the host."""
        if address in {0x10, 0x11}:
            held = bytearray(self.image()[0x10:0x12])
            held[address - 0x10] = value
            self.account_uvh = int.from_bytes(held, "big", signed=True) * STEP_UVH

    # commands

    def function(self, command: int) -> Slots:
        """Read and write; then what the kind adds."""
        self.advance()
        commands: dict[int, Callable[[], Slots]] = {
            READ: self._read,
            WRITE: self._write,
        }
        yield from commands.get(command, lambda: self.other_function(command))()

    def other_function(self, command: int) -> Slots:
        """Commands beyond the common two."""
        yield from ()

    def _read(self) -> Slots:
        address = yield from self.receive_byte()
        image = self.image()
        for at, value in self.wrong_bytes.items():
            image[at] = value
        yield from self.send_bytes(bytes(image[address:]))

    def _write(self) -> Slots:
        address = yield from self.receive_byte()
        while address < 0x100:
            value = yield from self.receive_byte()
            self.store(address, value)
            address += 1


class GaugeModel(Sense[GaugeT]):
    """With voltage, temperature, and blocks of EEPROM behind a shadow.

    Attributes:
        cell_v: voltage of the cell.
        temperature_degc: of the part.
        cells: EEPROM by address.
        shadow: what reads show and writes change.
        locked: numbers of locked blocks.
    """

    blocks: ClassVar[tuple[tuple[int, int], ...]] = ((0x20, 16), (0x30, 16))

    def __init__(
        self,
        *,
        settings: GaugeT,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.cell_v = settings.cell_v
        self.temperature_degc = settings.temperature_degc
        content = b"\x00" * 0x20 + initial(16, settings.content, settings.fill)
        self.cells = initial(0x100, content.hex(), settings.fill)
        self.writer = CellWriter(self, self.cells)
        self.shadow = bytearray(self.cells)
        self.locked: set[int] = set()
        self._may_lock = False

    def load_power_on_values(self) -> None:
        """The shadow is loaded from the cells."""
        super().load_power_on_values()
        self.shadow[:] = self.cells
        self._may_lock = False

    def abandon_work(self) -> None:
        """Power fails while cells are written."""
        self.writer.lose_power()

    def image(self) -> bytearray:
        """All registers as they stand now."""
        image = super().image()
        volts = clamped(self.cell_v / 0.00488, 11) << 5
        image[0x0C:0x0E] = volts.to_bytes(2, "big", signed=True)
        degrees = clamped(self.temperature_degc / 0.125, 11) << 5
        image[0x18:0x1A] = degrees.to_bytes(2, "big", signed=True)
        for start, size in self.blocks:
            image[start : start + size] = self.shadow[start : start + size]
        image[CONTROL_AT] = sum(1 << number for number in self.locked)
        image[CONTROL_AT] |= EEC if self.writer.is_busy else 0
        image[CONTROL_AT] |= LOCK_BIT if self._may_lock else 0
        return image

    def _block(self, address: int) -> int | None:
        for number, (start, size) in enumerate(self.blocks):
            if start <= address < start + size:
                return number
        return None

    def store(self, address: int, value: int) -> None:
        """A byte written by the host; locked places keep what they have."""
        number = self._block(address)
        if number is not None:
            if number not in self.locked:
                self.shadow[address] = value
        elif address == CONTROL_AT:
            self._may_lock = bool(value & LOCK_BIT)
        else:
            super().store(address, value)

    def function(self, command: int) -> Slots:
        """Any command but the lock calls the permission to lock off."""
        if command != LOCK:
            self._may_lock = False
        yield from super().function(command)

    def other_function(self, command: int) -> Slots:
        """Copy, recall, lock."""
        if command not in {COPY, RECALL, LOCK} or self.writer.is_busy:
            return
        address = yield from self.receive_byte()
        number = self._block(address)
        if number is None:
            return
        start, size = self.blocks[number]
        if command == RECALL:
            self.shadow[start : start + size] = self.cells[start : start + size]
            self.recalled(number)
        elif command == COPY and number not in self.locked:
            self._begin_copy(start, size)
        elif command == LOCK and self._may_lock:
            self.locked.add(number)
            self._may_lock = False

    def recalled(self, number: int) -> None:
        """What else a recall of a block loads."""

    def _begin_copy(self, start: int, size: int) -> None:
        settings = self.settings
        self.writer.start(
            start,
            bytes(self.shadow[start : start + size]),
            length_ms=settings.copy_ms,
            active_ma=settings.active_ma,
            least_v=settings.copy_min_v,
            done=lambda _: None,
        )
