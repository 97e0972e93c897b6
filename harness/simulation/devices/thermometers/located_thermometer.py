"""Family 3Bh: four unlike thermometers with location pins.

Source: data sheets of the four parts: MAX31826 p. 12, 14; MAX31850 p. 12-13, 19; DS1825
p. 7-8, with what is marked there as from memory or assumed. Of the low-voltage part
little is known: it is modelled as an adjustable one with other resolutions and times,
and a zero in bit 4.
"""

from __future__ import annotations

from collections.abc import Callable
from math import floor
from random import Random
from typing import Any, Literal

from pydantic import Field

from harness.simulation.devices.base import LISTEN, Device, DeviceSurroundings, Slots
from harness.simulation.devices.common.cells import CellWriter, initial
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.devices.thermometers.configurable_thermometer import (
    CONFIGURATION,
    ConfigurableThermometer,
)
from harness.simulation.devices.thermometers.scratchpad_thermometer import (
    ThermometerModel,
)
from harness.simulation.devices.thermometers.settings import (
    ConfigurableThermometerSettings,
)
from harness.simulation.settings.base import HexBytes
from harness.wire.crc import crc8
from harness.wire.romcode import RomCode

FAULT_BITS = {"none": 0, "open": 1, "short-to-ground": 2, "short-to-supply": 4}
MEMORY_BYTES = 128
PAD_BYTES = 8
COPY_MS = 15.0


class LocatedThermometerSettings(ConfigurableThermometerSettings):
    """Which part, where it sits, and what hangs on it."""

    variant: Literal["adjustable", "with-memory", "thermocouple", "low-voltage"] = (
        Field(default="adjustable", description="which of the four parts")
    )
    location: int = Field(default=0, ge=0, le=15, description="its location pins")
    thermocouple_degc: float = Field(
        default=21.0, ge=-270, le=1800, description="at the couple's tip"
    )
    thermocouple_fault: Literal["none", "open", "short-to-ground", "short-to-supply"] = Field(
        default="none", description="what is wrong with the couple"
    )  # fmt: skip
    content: HexBytes = Field(default="", description="memory in hex from address 0 on")


class AdjustableThermometerModel(ConfigurableThermometer):
    """As a 28h; the low half of the configuration is the location."""

    mark = 0x10

    def __init__(
        self,
        *,
        settings: LocatedThermometerSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        self._location = settings.location
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )

    def _fixed(self) -> int:
        return self.mark | self._location

    def factory_eeprom(self) -> bytes:
        """The location in place of ones."""
        stored = super().factory_eeprom()
        return stored[:CONFIGURATION] + bytes((stored[-1] & 0x60 | self._fixed(),))

    def accept(self, place: int, value: int) -> int:
        """Only the resolution of the configuration can be written."""
        return value & 0x60 | self._fixed() if place == CONFIGURATION else value


class LowVoltage(AdjustableThermometerModel):
    """8, 9, 10 and 12 bit in a tenth to a half of the time."""

    mark = 0x00

    @property
    def dropped_bits(self) -> int:
        """4, 3, 2 or none."""
        return (4, 3, 2, 0)[self.scratchpad[4] >> 5 & 3]

    def conversion_us(self) -> float:
        """35 ms at 10 bit, half or twice as much for each bit."""
        return 140e3 / (1 << self.dropped_bits)


class _Fixed(ThermometerModel[LocatedThermometerSettings]):
    """1111 and the location; nothing stored, nothing to write."""

    stored_bytes = 0

    def factory_eeprom(self) -> bytes:
        """Nothing is stored."""
        return b""

    def fixed_bytes(self) -> bytes:
        """FFh twice, 1111 and the location, FFh three times."""
        return bytes((0xFF, 0xFF, 0xF0 | self.settings.location, 0xFF, 0xFF, 0xFF))

    def whole_degc(self) -> int:
        """There are no limits to compare with."""
        return 0

    def is_in_alarm(self, whole_degc: int) -> bool:
        """Never."""
        return False

    def write_result(self, temperature_degc: float) -> None:
        """Sixteenths of a degree."""
        steps = floor(temperature_degc * 16 + 0.5)
        self.scratchpad[0:2] = (steps & 0xFFFF).to_bytes(2, "little")


class WithMemory(_Fixed):
    """12 bit, and 128 bytes of EEPROM behind a second scratchpad.

    Attributes:
        cells: the EEPROM.
        pad: the second scratchpad.
        target: the row that it was written for.
    """

    def __init__(
        self,
        *,
        settings: LocatedThermometerSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.cells = initial(MEMORY_BYTES, settings.content, 0xFF)
        self.writer = CellWriter(self, self.cells)
        self.pad = bytearray(PAD_BYTES)
        self.target = 0

    def conversion_us(self) -> float:
        """150 ms at most (from memory)."""
        return 120e3

    def abandon_work(self) -> None:
        """Power fails while it converts or writes cells."""
        super().abandon_work()
        self.writer.lose_power()

    def function(self, command: int) -> Slots:
        """Those of a thermometer, and the memory's."""
        own: dict[int, Callable[[], Slots]] = {
            0x0F: self._write_pad,
            0xAA: self._read_pad,
            0x55: self._copy_pad,
            0xF0: self._read_memory,
        }
        yield from own[command]() if command in own else super().function(command)

    def _write_pad(self) -> Slots:
        address = yield from self.receive_byte()
        sent = bytearray((0x0F, address))
        for place in range(PAD_BYTES):
            value = yield from self.receive_byte()
            self.pad[place] = value
            sent.append(value)
        self.target = address & 0x78
        yield from self.send_byte(crc8(sent))

    def _read_pad(self) -> Slots:
        address = yield from self.receive_byte()
        answer = bytes(self.pad[address % PAD_BYTES :])
        yield from self.send_bytes(answer)
        yield from self.send_byte(crc8(bytes((0xAA, address)) + answer))

    def _copy_pad(self) -> Slots:
        validation = yield from self.receive_byte()
        if validation == 0xA5:
            self.writer.start(
                self.target,
                bytes(self.pad),
                length_ms=COPY_MS,
                active_ma=self.settings.active_ma,
                least_v=self.settings.conversion_min_v,
                done=lambda _: None,
            )
            yield LISTEN

    def _read_memory(self) -> Slots:
        address = yield from self.receive_byte()
        yield from self.send_bytes(bytes(self.cells[address:]))


class Thermocouple(_Fixed):
    """Couple and junction, faults in their low bits."""

    def conversion_us(self) -> float:
        """100 ms at most (from memory)."""
        return 70e3

    def write_result(self, temperature_degc: float) -> None:
        """14 bits of the couple, 12 of the junction."""
        fault = FAULT_BITS[self.settings.thermocouple_fault]
        quarters = floor(self.settings.thermocouple_degc * 4 + 0.5)
        couple = quarters << 2 | (1 if fault else 0)
        junction = floor(temperature_degc * 16 + 0.5) << 4 | fault
        self.scratchpad[0:2] = (couple & 0xFFFF).to_bytes(2, "little")
        self.scratchpad[2:4] = (junction & 0xFFFF).to_bytes(2, "little")


_PARTS: dict[str, Callable[..., Device[Any]]] = {
    "adjustable": AdjustableThermometerModel,
    "with-memory": WithMemory,
    "thermocouple": Thermocouple,
    "low-voltage": LowVoltage,
}


def make(*, settings: LocatedThermometerSettings, **rest: Any) -> Device[Any]:  # noqa: ANN401 - as Device takes them
    """The part that the settings name."""
    return _PARTS[settings.variant](settings=settings, **rest)


KINDS = (
    DeviceKind(
        family=0x3B,
        title="thermometer with location pins, four unlike parts",
        settings=LocatedThermometerSettings,
        model=make,
    ),
)
