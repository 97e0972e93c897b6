"""Family 42h: a thermometer with two channels and a chain.

Source: data sheet of family 42h (part DS28EA00) p. 7-8, 10-12, 27-29.
Channel A pulls high while the chain is on and low when it is done, so the next
device's B, wired to it, enables that one.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from harness.simulation.devices.base import DeviceSurroundings, Slots
from harness.simulation.devices.common.pins import Pins, PinSettings
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.devices.thermometers.configurable_thermometer import (
    ConfigurableThermometer,
)
from harness.simulation.devices.thermometers.settings import (
    ConfigurableThermometerSettings,
)
from harness.wire.romcode import RomCode

CONDITIONAL_READ_ROM = 0x0F
OFF, ON, DONE = 0x3C, 0x5A, 0x96
A, B = 1, 2


class ChainThermometerSettings(ConfigurableThermometerSettings, PinSettings):
    """A thermometer with pins."""


class ChainThermometer(ConfigurableThermometer):
    """Byte 6 stays 0Ch.

    Attributes:
        pins: channels A and B.
        chain: 3Ch off, 5Ah on, 96h done.
    """

    def __init__(
        self,
        *,
        settings: ChainThermometerSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        self.chain = OFF
        self.pins = Pins("ab", settings, surroundings)
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )

    def load_power_on_values(self) -> None:
        """Chain off, both transistors off."""
        super().load_power_on_values()
        self.chain = OFF
        self.pins.switch(A | B)

    def write_result(self, temperature_degc: float) -> None:
        """As its relatives, but byte 6 is a constant."""
        super().write_result(temperature_degc)
        self.scratchpad[6] = 0x0C

    def reads_rom_on(self, command: int) -> bool:
        """Also the conditional one, while the chain is on and EN is low."""
        if command == CONDITIONAL_READ_ROM:
            return self.chain == ON and not self.pins.levels & B
        return super().reads_rom_on(command)

    def function(self, command: int) -> Slots:
        """Those of a thermometer, and three of its own."""
        own: dict[int, Callable[[], Slots]] = {
            0xF5: self._read_ports,
            0xA5: self._write_ports,
            0x99: self._set_chain,
        }
        yield from own[command]() if command in own else super().function(command)

    def _port_status(self) -> int:
        low = self.pins.status() & 0x0F
        if self.chain != OFF:
            low |= 0x0A  # both latches read 1
        return low | (low ^ 0x0F) << 4

    def _read_ports(self) -> Slots:
        while True:
            yield from self.send_byte(self._port_status())

    def _write_ports(self) -> Slots:
        while True:
            value = yield from self.receive_byte()
            complement = yield from self.receive_byte()
            if value ^ complement != 0xFF:
                return
            if self.chain == OFF:
                self.pins.switch(value)
            yield from self.send_byte(0xAA)
            yield from self.send_byte(self._port_status())

    def _set_chain(self) -> Slots:
        state = yield from self.receive_byte()
        complement = yield from self.receive_byte()
        answer = 0xAA
        if complement != state ^ 0xFF:
            answer = 0x00
        elif state not in {OFF, ON, DONE}:
            answer = complement
        else:
            self.chain = state
            self.pins.switch(B if state == DONE else A | B)
        while True:
            yield from self.send_byte(answer)


KINDS = (
    DeviceKind(
        family=0x42,
        title="thermometer, two channels, chain",
        settings=ChainThermometerSettings,
        model=ChainThermometer,
    ),
)
