"""Family 3Ah: two open-drain channels.

Source: data sheet of family 3Ah (part DS2413) p. 6, 16-17.
"""

from __future__ import annotations

from random import Random

from harness.simulation.devices.base import Device, DeviceSurroundings, Slots
from harness.simulation.devices.common.pins import Pins, PinSettings
from harness.simulation.devices.kind import DeviceKind
from harness.wire.romcode import RomCode

ACCESS_READ = 0xF5
ACCESS_WRITE = 0x5A
CONFIRMATION = 0xAA


class DualSwitch(Device[PinSettings]):
    """Pins and nothing else.

    Attributes:
        pins: the two channels.
    """

    knows_overdrive = True

    def __init__(
        self,
        *,
        settings: PinSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.pins = Pins("ab", settings, surroundings)

    def load_power_on_values(self) -> None:
        """Both transistors off (from memory)."""
        self.pins.switch(self.pins.all)

    def function(self, command: int) -> Slots:
        """Two commands."""
        if command == ACCESS_READ:
            yield from self._read()
        elif command == ACCESS_WRITE:
            yield from self._write()

    def _read(self) -> Slots:
        while True:
            yield from self.send_byte(self.pins.status())

    def _write(self) -> Slots:
        while True:
            value = yield from self.receive_byte()
            complement = yield from self.receive_byte()
            if value ^ complement != 0xFF:
                return
            self.pins.switch(value)
            yield from self.send_byte(CONFIRMATION)
            yield from self.send_byte(self.pins.status())


KINDS = (
    DeviceKind(
        family=0x3A,
        title="dual switch, 28 V outputs",
        settings=PinSettings,
        model=DualSwitch,
    ),
)
