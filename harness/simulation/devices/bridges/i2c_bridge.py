"""Family 19h: bridge to I2C, with parts behind it.

A transfer is worked off at once when its packet is whole; the bridge stays busy for
the time that the I2C clock would take.

Source: two public forum threads on part DS28E17 (packets and CRC rule from captured
bytes; command codes, status bits, busy slots and speeds from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from random import Random

from pydantic import Field

from harness.simulation.devices.base import (
    LISTEN,
    PULL,
    Device,
    DeviceSurroundings,
    Slots,
    Want,
)
from harness.simulation.devices.bridges.i2c_parts import (
    I2cEepromSettings,
    I2cPart,
    I2cPartSettings,
    I2cThermometerSettings,
    make_part,
)
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.settings.device import DeviceSettings
from harness.wire.crc import crc16_holds
from harness.wire.romcode import RomCode

WRITE, WRITE_FIRST, WRITE_MIDDLE, WRITE_LAST = 0x4B, 0x5A, 0x69, 0x78
READ, WRITE_READ = 0x87, 0x2D
BIT_US = {0: 10.0, 1: 2.5, 2: 1.1, 3: 2.5}
OVERHEAD_US = 200.0
"""From the last CRC bit to the I2C start (invented; no figure is published)."""

Bytes = Generator[Want, int, bytes]


def _default_parts() -> tuple[I2cPartSettings, ...]:
    return (
        I2cEepromSettings(part="eeprom"),
        I2cThermometerSettings(part="thermometer"),
    )


class BridgeSettings(DeviceSettings):
    """What hangs behind it."""

    i2c: tuple[I2cPartSettings, ...] = Field(
        default_factory=_default_parts,
        max_length=16,
        description="parts on the I2C side; an EEPROM and a thermometer unless given",
    )
    revision: int = Field(default=0x31, ge=0, le=0xFF, description="revision byte")


class Bridge(Device[BridgeSettings]):
    """Takes packets, works them off, answers.

    Attributes:
        parts: what hangs behind it, by address.
        speed: code of the I2C clock.
    """

    def __init__(
        self,
        *,
        settings: BridgeSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.parts: dict[int, I2cPart] = {
            part.address: make_part(part, surroundings.after) for part in settings.i2c
        }
        self.speed = 1
        self._open: I2cPart | None = None
        self._busy = False
        self._job = 0

    def load_power_on_values(self) -> None:
        """400 kHz, no transfer open."""
        self.speed = 1
        self._open = None
        self._busy = False
        self._job += 1

    def function(self, command: int) -> Slots:
        """Packets, and the bridge's own registers."""
        if self._busy:
            return
        if command == 0xC3:
            yield from self.send_byte(self.settings.revision)
        elif command == 0xE1:
            yield from self.send_byte(self.speed)
        elif command == 0xD2:
            self.speed = (yield from self.receive_byte()) & 0x03
        else:
            transfers: dict[int, Callable[[], Slots]] = {
                WRITE: lambda: self._write(command, has_address=True),
                WRITE_FIRST: lambda: self._write(command, has_address=True),
                WRITE_MIDDLE: lambda: self._write(command, has_address=False),
                WRITE_LAST: lambda: self._write(command, has_address=False),
                READ: self._read,
                WRITE_READ: self._write_read,
            }
            if command in transfers:
                yield from transfers[command]()

    # packets

    def _receive(self, count: int) -> Bytes:
        data = bytearray()
        for _ in range(count):
            data.append((yield from self.receive_byte()))
        return bytes(data)

    def _write(self, command: int, *, has_address: bool) -> Slots:
        head = yield from self._receive(2 if has_address else 1)
        data = yield from self._receive(head[-1])
        packet = bytes([command]) + head + data
        if (yield from self._is_spoilt(packet)):
            return
        if has_address:
            self._open = self._start(head[0])
        part = self._open
        if part is None:
            status = 0x02 if has_address else 0x08
            yield from self._answer(bytes([status, 0xFF]), bytes_moved=1)
            return
        result = self._hand_over(part, data)
        if command in {WRITE, WRITE_LAST} or result:
            part.stop()
            self._open = None
        yield from self._answer(bytes([0, result]), bytes_moved=1 + len(data))

    def _read(self) -> Slots:
        head = yield from self._receive(2)
        if (yield from self._is_spoilt(bytes([READ]) + head, has_write=False)):
            return
        part = self._start(head[0], reading=True)
        if part is None:
            answer = b"\x02" + b"\xff" * head[1]
            yield from self._answer(answer, bytes_moved=1)
            return
        data = bytes(part.give() for _ in range(head[1]))
        part.stop()
        yield from self._answer(b"\x00" + data, bytes_moved=1 + head[1])

    def _write_read(self) -> Slots:
        head = yield from self._receive(2)
        data = yield from self._receive(head[1])
        count = yield from self.receive_byte()
        packet = bytes([WRITE_READ]) + head + data + bytes([count])
        if (yield from self._is_spoilt(packet)):
            return
        part = self._start(head[0])
        if part is None:
            yield from self._answer(b"\x02\xff" + b"\xff" * count, bytes_moved=1)
            return
        result = self._hand_over(part, data)
        got = b"\xff" * count if result else bytes(part.give() for _ in range(count))
        part.stop()
        yield from self._answer(
            bytes([0, result]) + got, bytes_moved=2 + len(data) + count
        )

    def _is_spoilt(
        self, packet: bytes, *, has_write: bool = True
    ) -> Generator[Want, int, bool]:
        check = yield from self._receive(2)
        if crc16_holds(packet + check):
            return False
        yield from self._answer(b"\x01\xff" if has_write else b"\x01", bytes_moved=0)
        return True

    # the I2C side

    def _start(self, address: int, *, reading: bool = False) -> I2cPart | None:
        part = self.parts.get(address >> 1)
        if part is None or not part.acknowledges() or address & 1 != reading:
            return None
        if not reading:
            part.begin()
        return part

    def _hand_over(self, part: I2cPart, data: bytes) -> int:
        """0, or the number of the first byte that was not acknowledged."""
        for place, value in enumerate(data, 1):
            if not part.take(value):
                return place
        return 0

    def _answer(self, answer: bytes, *, bytes_moved: int) -> Slots:
        took_us = OVERHEAD_US + 9 * bytes_moved * BIT_US[self.speed]
        self._busy = True
        self._job += 1
        job = self._job

        def done() -> None:
            if job == self._job:
                self._busy = False

        self.surroundings.after(took_us, done)
        while self._busy:
            yield LISTEN
        yield PULL
        yield from self.send_bytes(answer)


KINDS = (
    DeviceKind(
        family=0x19, title="bridge to I2C", settings=BridgeSettings, model=Bridge
    ),
)
