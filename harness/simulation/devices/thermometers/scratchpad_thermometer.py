"""The core of the thermometer kinds: scratchpad, EEPROM, conversion, alarm, power.

Source: data sheets of the family-28h thermometer (part DS18B20) and its relatives:
DS18B20 p. 4, 19; DS1822 p. 4; DS18S20 p. 3-4. Conversion time and the sixth byte of
original parts are reported, not published.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from random import Random
from typing import TypeVar

from harness.simulation.devices.base import LISTEN, Device, DeviceSurroundings, Slots
from harness.simulation.devices.thermometers.settings import (
    Starved,
    ThermometerSettings,
)
from harness.wire.crc import crc8
from harness.wire.romcode import RomCode

CONVERT = 0x44
WRITE_SCRATCHPAD = 0x4E
READ_SCRATCHPAD = 0xBE
COPY_SCRATCHPAD = 0x48
RECALL = 0xB8
READ_SUPPLY = 0xB4

FULL_CURRENT_AFTER_US = 75.0
"""From the edge of a command's last slot to the working current of a device on
parasite power: the slot, and the 10 us that the data sheet leaves for a strong
pull-up to come on."""

RECALL_US = 200.0
"""EEPROM to scratchpad (invented; no figure is published)."""

FULL_SCALE_DEGC = 2047 / 16
"""What a conversion shows that was given up for lack of supply (reported)."""

US_PER_H = 3.6e9

_MIDDLE_DEGC = 25.0
"""Where a device's own figures are stated."""


ThermoT = TypeVar("ThermoT", bound=ThermometerSettings)


class ThermometerModel(Device[ThermoT]):
    """Registers in the order of the scratchpad; bytes 2, 3 (and 4) are stored."""

    knows_conditional_search = True
    stored_bytes = 2
    power_on_temperature = b"\x50\x05"

    def __init__(
        self,
        *,
        settings: ThermoT,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.full_conversion_us = 1000 * (
            settings.conversion_ms or random.uniform(580, 620)
        )
        self.eeprom = self.factory_eeprom()
        self.scratchpad = bytearray(8)
        self.alarm = False
        self.stores_done = 0
        self.warmed_k = 0.0
        self._job = 0
        self._busy = False
        self.load_power_on_values()

    # for the kinds to fill in

    def factory_eeprom(self) -> bytes:
        """Stored bytes as the fixture has them."""
        settings = self.settings
        return bytes((settings.alarm_high_degc & 0xFF, settings.alarm_low_degc & 0xFF))

    def fixed_bytes(self) -> bytes:
        """Bytes of the scratchpad after the stored ones, as after power-up."""
        raise NotImplementedError

    def conversion_us(self) -> float:
        """Length of a conversion as now configured."""
        return self.full_conversion_us

    def write_result(self, temperature_degc: float) -> None:
        """Put a finished conversion into the scratchpad."""
        raise NotImplementedError

    def most_stores(self) -> float:
        """How often it can store."""
        return inf

    def accept(self, place: int, value: int) -> int:
        """What a byte written to the scratchpad turns into."""
        return value

    def is_in_alarm(self, whole_degc: int) -> bool:
        """The alarm rule, at the end of a conversion."""
        high, low = self._alarm_limits()
        return whole_degc >= high or whole_degc <= low

    def whole_degc(self) -> int:
        """The part of the temperature that alarms are compared with."""
        raise NotImplementedError

    # state

    @property
    def temperature_degc(self) -> float:
        """True temperature now, without noise."""
        settings = self.settings
        hours = self.surroundings.now_us() / US_PER_H
        drifted = settings.temperature_degc + settings.drift_degc_per_h * hours
        return drifted + self.surroundings.ambient_k() + self.warmed_k

    def least_v(self) -> float:
        """Supply that a conversion or store needs, as warm as the device is now."""
        colder_k = max(0.0, _MIDDLE_DEGC - self.temperature_degc)
        settings = self.settings
        return settings.conversion_min_v + settings.needs_more_v_per_k * colder_k

    def load_power_on_values(self) -> None:
        """Temperature +85, alarms and configuration from the EEPROM."""
        self.scratchpad[0:2] = self.power_on_temperature
        self.scratchpad[2 : 2 + len(self.eeprom)] = self.eeprom
        self.scratchpad[2 + len(self.eeprom) : 8] = self.fixed_bytes()
        if self.settings.power_on_degc is not None:
            self.write_result(self.settings.power_on_degc)
        self.alarm = False
        self._busy = False

    def abandon_work(self) -> None:
        """A conversion or store under way ends without result."""
        self._job += 1
        self._busy = False

    def meets_condition(self) -> bool:
        """Alarm flag of the last conversion."""
        return self.alarm

    def _alarm_limits(self) -> tuple[int, int]:
        high, low = self.scratchpad[2:4]
        return _signed(high), _signed(low)

    # commands

    def function(self, command: int) -> Slots:
        """The function commands of the thermometers."""
        commands: dict[int, Callable[[], Slots]] = {
            CONVERT: self._convert,
            WRITE_SCRATCHPAD: self._write_scratchpad,
            READ_SCRATCHPAD: self._read_scratchpad,
            COPY_SCRATCHPAD: self._copy_scratchpad,
            RECALL: self._recall,
            READ_SUPPLY: self._read_supply,
        }
        if command in commands:
            yield from commands[command]()

    def _status(self) -> int:
        return 0 if self._busy else 1

    def _convert(self) -> Slots:
        self._work(self.conversion_us(), self._end_conversion)
        if not self.supply.is_parasite:
            while True:
                yield self._status

    def _write_scratchpad(self) -> Slots:
        count = self.stored_bytes
        written = 0
        try:
            for place in range(count):
                value = yield from self.receive_byte()
                self.scratchpad[2 + place] = self.accept(place, value)
                written += 1
        finally:
            # cut short: what was not written is undefined by the data sheet
            for place in range(written, count):
                noise = self.random.randrange(256)
                self.scratchpad[2 + place] = self.accept(place, noise)

    def _read_scratchpad(self) -> Slots:
        content = bytearray(self.scratchpad)
        for place, value in self.wrong_bytes.items():
            content[place] = value
        yield from self.send_bytes(bytes([*content, crc8(content)]))

    def _copy_scratchpad(self) -> Slots:
        self._work(self.settings.copy_ms * 1000, self._end_copy)
        yield from ()

    def _recall(self) -> Slots:
        self._busy = True
        self._job += 1
        job = self._job

        def done() -> None:
            if job == self._job:
                self._busy = False
                self.scratchpad[2 : 2 + len(self.eeprom)] = self.eeprom

        self.surroundings.after(RECALL_US, done)
        while True:
            yield self._status

    def shows_parasite(self) -> bool:
        """What the power query says."""
        return self.supply.is_parasite

    def _read_supply(self) -> Slots:
        yield 0 if self.shows_parasite() else LISTEN

    # work that takes time and current

    def _work(self, length_us: float, finish: Callable[[bool], None]) -> None:
        """Be busy for a time; ``finish(supplied)`` comes at its end."""
        self._job += 1
        job = self._job
        self._busy = True
        supplied = True

        def sag() -> None:
            nonlocal supplied
            supplied = False

        def begin() -> None:
            if job == self._job:
                self.supply.work(
                    self.settings.active_ma / 1000,
                    least_v=self.least_v(),
                    on_sag=sag,
                )

        def end() -> None:
            if job == self._job:
                self._busy = False
                self.supply.rest()
                finish(supplied)

        if self.supply.takes_time:
            self.surroundings.after(FULL_CURRENT_AFTER_US, begin)
        else:
            begin()
        self.surroundings.after(length_us, end)

    def _end_conversion(self, supplied: bool) -> None:
        if self.restarts_in_work:
            self.power_on()
            return
        settings = self.settings
        true_degc = self.temperature_degc
        noise_degc = self.random.gauss(0, 1) * settings.noise_degc
        noise_degc += settings.slope_error_k_per_k * (true_degc - _MIDDLE_DEGC)
        reading = min(125.0, max(-55.0, true_degc + noise_degc))
        if not supplied and self.random.random() < settings.starved_share:
            if settings.starved_result is Starved.KEEP:
                return
            reading = FULL_SCALE_DEGC
            if settings.starved_result is Starved.WANDER:
                spread_k = settings.starved_spread_k
                reading = self.temperature_degc + self.random.uniform(
                    -spread_k, spread_k
                )
        self.write_result(reading)
        self.alarm = self.is_in_alarm(self.whole_degc())

    def _end_copy(self, supplied: bool) -> None:
        stored = bytes(self.scratchpad[2 : 2 + self.stored_bytes])
        self.stores_done += 1
        if self.stores_done > self.most_stores():
            return
        if supplied:
            self.eeprom = stored
        else:  # some cells took the new value, some did not
            self.eeprom = bytes(
                new if self.random.random() < 0.5 else old
                for new, old in zip(stored, self.eeprom, strict=True)
            )


def _signed(byte: int) -> int:
    return byte - 256 if byte & 0x80 else byte
