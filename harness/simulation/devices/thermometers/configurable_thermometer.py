"""Families 28h and 22h: thermometers with a configuration register, 9 to 12 bit."""

from __future__ import annotations

from math import floor
from random import Random

from harness.simulation.devices.base import DeviceSurroundings
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.devices.thermometers.scratchpad_thermometer import (
    ThermometerModel,
)
from harness.simulation.devices.thermometers.settings import (
    ConfigurableThermometerSettings,
)
from harness.wire.romcode import RomCode

CONFIGURATION = 2
"""Place of the configuration among the stored bytes."""


class ConfigurableThermometer(ThermometerModel[ConfigurableThermometerSettings]):
    """Scratchpad: temperature, alarms, configuration ``0 R1 R0 1 1 1 1 1``, FFh, x, 10h."""

    stored_bytes = 3

    def __init__(
        self,
        *,
        settings: ConfigurableThermometerSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        frozen = settings.has_habit(settings.frozen_power_answer)
        self._frozen_answer = random.random() < 0.5 if frozen else None

    def shows_parasite(self) -> bool:
        """The truth, or which pin got power first."""
        if self._frozen_answer is None:
            return super().shows_parasite()
        return self._frozen_answer

    def most_stores(self) -> float:
        """Few for a clone."""
        return self.settings.stores

    @property
    def _is_fixed(self) -> bool:
        return self.settings.has_habit(self.settings.fixed_configuration)

    def factory_eeprom(self) -> bytes:
        """Alarms and resolution as the fixture has them."""
        if self._is_fixed:
            return super().factory_eeprom() + b"\x7f"
        configuration = (self.settings.resolution_bits - 9) << 5 | 0x1F
        return super().factory_eeprom() + bytes([configuration])

    def fixed_bytes(self) -> bytes:
        """FFh, 0Ch until the first conversion, 10h."""
        return b"\xff\x0c\x10"

    def accept(self, place: int, value: int) -> int:
        """Only the resolution of the configuration can be written."""
        if place != CONFIGURATION:
            return value
        return 0x7F if self._is_fixed else value & 0x60 | 0x1F

    @property
    def dropped_bits(self) -> int:
        """Low bits of the result that the present resolution leaves undefined."""
        return 3 - (self.scratchpad[4] >> 5 & 3)

    def conversion_us(self) -> float:
        """Halves with each bit of resolution less."""
        return self.full_conversion_us / (1 << self.dropped_bits)

    def write_result(self, temperature_degc: float) -> None:
        """Sixteenths of a degree; the undefined bits hold anything."""
        dropped = self.dropped_bits
        sixteenths = floor(temperature_degc * 16 + 0.5) >> dropped << dropped
        sixteenths |= self.random.randrange(1 << dropped)
        self.scratchpad[0:2] = (sixteenths & 0xFFFF).to_bytes(2, "little")
        if not self.settings.has_habit(self.settings.keeps_reserved):
            self.scratchpad[6] = 0x10 - (self.scratchpad[0] & 0x0F)

    def whole_degc(self) -> int:
        """Bits 11 to 4, rounded down."""
        return int.from_bytes(self.scratchpad[0:2], "little", signed=True) >> 4


KINDS = tuple(
    DeviceKind(
        family=family,
        title=title,
        settings=ConfigurableThermometerSettings,
        model=ConfigurableThermometer,
    )
    for family, title in (
        (0x22, "thermometer, 9 to 12 bit, wider error"),
        (0x28, "thermometer, 9 to 12 bit"),
    )
)
