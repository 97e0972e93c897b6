"""Family 29h: eight open-drain channels, activity latches, conditional search.

Source: data sheet of family 29h (part DS2408) p. 8-9, 32-36.
What the test mode does beyond an output 0 that ignores writes is not modelled.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from random import Random

from pydantic import Field

from harness.simulation.devices.base import Device, DeviceSurroundings, Slots, Want
from harness.simulation.devices.common.pins import Pins, PinSettings
from harness.simulation.devices.kind import DeviceKind
from harness.wire.crc import crc16_sent
from harness.wire.romcode import RomCode

LAST = 0x8F
PLS, CT, PORL, VCCP = 0x01, 0x02, 0x08, 0x80
SAMPLES = 32
LEAVE_TEST = 0x96
END_OF_LEAVE = 0x3C


class OctalSwitchSettings(PinSettings):
    """With the test mode that a slow rise of the supply can leave behind."""

    wakes_in_test_mode: bool = Field(
        default=False, description="powers up in the mode in which pin 0 ignores writes"
    )


class OctalSwitch(Device[OctalSwitchSettings]):
    """Registers 0088h to 008Dh.

    Attributes:
        pins: the eight channels, with their activity latches.
        search: mask, polarity and control.
        in_test_mode: True until the host leads it out.
    """

    knows_resume = True
    knows_conditional_search = True

    def __init__(
        self,
        *,
        settings: OctalSwitchSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.pins = Pins("01234567", settings, surroundings)
        self.search = bytearray(3)
        self.in_test_mode = False
        self.load_power_on_values()

    def load_power_on_values(self) -> None:
        """Latches at random, the power-on flag set."""
        self.pins.switch(self.random.randrange(256))
        self.search[:] = bytes((0, 0, PORL))
        self.in_test_mode = self.settings.wakes_in_test_mode

    def meets_condition(self) -> bool:
        """The power-on flag, or pins or activity against mask and polarity."""
        mask, polarity, control = self.search
        if control & PORL:
            return True
        state = self.pins.activity if control & PLS else self.pins.levels
        met = ~(state ^ polarity) & mask
        return met == mask if control & CT else met != 0

    def _rom_command(self, command: int) -> Generator[Want, int, bool]:
        if command != LEAVE_TEST:
            return (yield from super()._rom_command(command))
        for byte in self.rom.wire:
            if (yield from self.receive_byte()) != byte:
                return False
        if (yield from self.receive_byte()) == END_OF_LEAVE:
            self.in_test_mode = False
        return False

    def function(self, command: int) -> Slots:
        """The five commands."""
        commands: dict[int, Callable[[], Slots]] = {
            0xF0: self._read_registers,
            0xF5: self._sample,
            0x5A: self._write,
            0xC3: self._clear_activity,
            0xCC: self._write_search,
        }
        if command in commands:
            yield from commands[command]()

    def _register(self, address: int) -> int:
        supplied = 0 if self.supply.is_parasite else VCCP
        known = {
            0x88: self.pins.levels,
            0x89: self.pins.latches,
            0x8A: self.pins.activity,
            0x8B: self.search[0],
            0x8C: self.search[1],
            0x8D: self.search[2] | supplied,
            0x8E: 0xFF,
            0x8F: 0xFF,
        }
        return known.get(address, 0)

    def _read_registers(self) -> Slots:
        low = yield from self.receive_byte()
        high = yield from self.receive_byte()
        sent = bytearray((0xF0, low, high))
        address = low | high << 8
        if address > LAST:
            return
        while address <= LAST:
            value = self._register(address)
            sent.append(value)
            yield from self.send_byte(value)
            address += 1
        yield from self.send_bytes(crc16_sent(sent))

    def _sample(self) -> Slots:
        sent = bytearray((0xF5,))
        while True:
            for _ in range(SAMPLES):
                sent.append(self.pins.levels)
                yield from self.send_byte(sent[-1])
            yield from self.send_bytes(crc16_sent(sent))
            sent.clear()

    def _write(self) -> Slots:
        while True:
            value = yield from self.receive_byte()
            complement = yield from self.receive_byte()
            if value ^ complement != 0xFF:
                return
            kept = self.pins.latches & 1 if self.in_test_mode else value & 1
            self.pins.switch(value & 0xFE | kept)
            yield from self.send_byte(0xAA)
            yield from self.send_byte(self.pins.levels)

    def _clear_activity(self) -> Slots:
        self.pins.activity = 0
        while True:
            yield from self.send_byte(0xAA)

    def _write_search(self) -> Slots:
        low = yield from self.receive_byte()
        high = yield from self.receive_byte()
        place = (low | high << 8) - 0x8B
        while 0 <= place <= 2:
            value = yield from self.receive_byte()
            if place == 2:  # the power-on flag can be cleared, never set
                value &= 0x07 | self.search[2] & PORL
            self.search[place] = value
            place += 1


KINDS = (
    DeviceKind(
        family=0x29,
        title="octal switch",
        settings=OctalSwitchSettings,
        model=OctalSwitch,
    ),
)
