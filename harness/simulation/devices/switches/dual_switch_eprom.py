"""Family 12h: two channels, a volatile status byte, 1 Kbit of write-once memory.

Source: data sheet of family 12h (part DS2406) p. 7-8, 13, 15-16;
positions of the channel control and of the search bits from memory. Programming of
the memory is not modelled, it only stands the voltage.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from pydantic import Field

from harness.simulation.devices.base import Bits, Device, DeviceSurroundings, Slots
from harness.simulation.devices.common.cells import initial
from harness.simulation.devices.common.pins import Pins, PinSettings
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.settings.base import HexBytes
from harness.wire.crc import crc16_sent
from harness.wire.romcode import RomCode

CRC_AFTER = (0, 1, 8, 32)
"""Data bytes between check values, by the two low bits of the channel control."""

SIZE = 128


class DualSwitchEpromSettings(PinSettings):
    """With what the memory holds."""

    content: HexBytes = Field(default="", description="bytes in hex from address 0 on")


class DualSwitchEprom(Device[DualSwitchEpromSettings]):
    """Pins, status and memory.

    Attributes:
        pins: the two channels, with their activity latches.
        status: bytes 0 to 6.
        search: the five search bits of byte 7.
        cells: the memory.
    """

    knows_conditional_search = True
    stands_programming = True

    def __init__(
        self,
        *,
        settings: DualSwitchEpromSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.pins = Pins("ab", settings, surroundings)
        self.status = bytearray(b"\xff" * 5 + b"\x00" * 2)
        self.search = 0x1F
        self.cells = initial(SIZE, settings.content, 0xFF)

    def load_power_on_values(self) -> None:
        """All ones: both transistors off."""
        self.pins.switch(3)
        self.search = 0x1F

    def meets_condition(self) -> bool:
        """Activity, latch or level of the channels chosen, against the polarity."""
        chosen = self.search >> 3
        source = {1: self.pins.activity, 2: self.pins.latches, 3: self.pins.levels}
        state = source.get(self.search >> 1 & 3, 0)
        wanted = chosen if self.search & 1 else 0
        return bool(~(state ^ wanted) & chosen)

    def function(self, command: int) -> Slots:
        """The commands that do not need 12 V."""
        commands: dict[int, Callable[[], Slots]] = {
            0xF5: self._access,
            0xAA: self._read_status,
            0x55: self._write_status,
            0xF0: self._read_memory,
        }
        if command in commands:
            yield from commands[command]()

    @property
    def _supplied(self) -> int:
        return 0 if self.supply.is_parasite else 0x80

    @property
    def _byte_7(self) -> int:
        return self.search | self.pins.latches << 5 | self._supplied

    def _information(self) -> int:
        pins = self.pins
        state = pins.latches | pins.levels << 2 | (pins.activity & 3) << 4
        return state | 0x40 | self._supplied

    def _access(self) -> Slots:
        control = yield from self.receive_byte()
        second = yield from self.receive_byte()
        information = self._information()
        if control & 0x80:
            self.pins.activity = 0
        yield from self.send_byte(information)
        if not control & 0x40 or not control & 0x0C:
            return  # writing through this command is not modelled
        sent = bytearray((0xF5, control, second, information))
        every = CRC_AFTER[control & 3]
        count = 0
        while True:
            sent.append(self._sample(control >> 2 & 3))
            yield from self.send_byte(sent[-1])
            count += 1
            if every and count % every == 0:
                yield from self.send_bytes(crc16_sent(sent))
                sent.clear()

    def _sample(self, channels: int) -> int:
        """Eight samples: of one channel, or of both in turns."""
        levels = self.pins.levels
        order = {1: (0, 0), 2: (1, 1), 3: (0, 1)}[channels]
        return sum((levels >> order[place % 2] & 1) << place for place in range(8))

    def _address(self) -> Bits:
        low = yield from self.receive_byte()
        high = yield from self.receive_byte()
        return low | high << 8

    def _read_status(self) -> Slots:
        address = yield from self._address()
        block = bytes((*self.status, self._byte_7))[address:]
        yield from self.send_bytes(block)
        opening = bytes((0xAA, *address.to_bytes(2, "little")))
        yield from self.send_bytes(crc16_sent(opening + block))

    def _write_status(self) -> Slots:
        address = yield from self._address()
        address &= 0x7F  # beyond the range the nine top bits are forced to 0
        value = yield from self.receive_byte()
        sent = bytes((0x55, *address.to_bytes(2, "little"), value))
        yield from self.send_bytes(crc16_sent(sent))
        go = yield from self.receive_byte()
        if address != 7 or go != 0xFF:
            return
        self.search = value & 0x1F
        self.pins.switch(value >> 5 & 3)
        yield from self.send_byte(self._byte_7)

    def _read_memory(self) -> Slots:
        address = yield from self._address()
        block = bytes(self.cells[address:])
        yield from self.send_bytes(block)
        opening = bytes((0xF0, *address.to_bytes(2, "little")))
        yield from self.send_bytes(crc16_sent(opening + block))


KINDS = (
    DeviceKind(
        family=0x12,
        title="dual switch, write-once memory",
        settings=DualSwitchEpromSettings,
        model=DualSwitchEprom,
    ),
)
