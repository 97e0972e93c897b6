"""Family 20h: four channels of analogue input and open-drain output.

Source: data sheet DS2450 (family 20h) p. 4-5, 10 and 16. From memory: values after
power-up, and that 001Ch is lost at power-off.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from pydantic import Field

from harness.simulation.devices.base import (
    LISTEN,
    Bits,
    Device,
    DeviceSurroundings,
    Slots,
)
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.settings.device import DeviceSettings
from harness.wire.crc import crc16_sent
from harness.wire.romcode import RomCode

NAMES = "abcd"
PAGE = 8
END = 0x20
CONTROL, ALARMS, SUPPLY = 0x08, 0x10, 0x1C
OC, OE = 0x40, 0x80
IR, AEL, AEH, AFL, AFH, POR = 0x01, 0x04, 0x08, 0x10, 0x20, 0x80
OWN_SUPPLY = 0x40
ON_V = 0.05
EXTRA_US = 160.0


class QuadConverterSettings(DeviceSettings):
    """What comes to the inputs."""

    input_v: dict[str, float] = Field(
        default_factory=dict, description="voltage at each input while nothing pulls it"
    )
    tied: dict[str, str] = Field(
        default_factory=dict, description="wires from channel to channel"
    )
    bit_us: float = Field(default=70.0, gt=0, description="time of one bit; 60..80")
    active_ma: float = Field(default=0.5, ge=0, le=10, description="while converting")
    convert_min_v: float = Field(
        default=2.8, ge=0, le=6, description="line voltage that a conversion needs"
    )


class QuadConverter(Device[QuadConverterSettings]):
    """Four pages of eight bytes.

    Attributes:
        memory: all four pages.
        input_v: by channel; a test may change it.
    """

    knows_conditional_search = True

    def __init__(
        self,
        *,
        settings: QuadConverterSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.memory = bytearray(END)
        self.input_v = dict(settings.input_v)
        self._busy = False
        self._job = 0
        self.load_power_on_values()

    def load_power_on_values(self) -> None:
        """8 bit, 2.56 V, alarms in use and wide open, power-on flags set."""
        self.memory[:] = bytes(8) + b"\x08\x8c" * 4 + b"\x00\xff" * 4 + bytes(8)
        self._busy = False

    def abandon_work(self) -> None:
        """A conversion under way is lost."""
        self._job += 1
        self._busy = False

    def meets_condition(self) -> bool:
        """A power-on flag, or an alarm in use whose flag is set."""
        seconds = self.memory[CONTROL + 1 : ALARMS : 2]
        return any(
            s & POR or (s & AEL and s & AFL) or (s & AEH and s & AFH) for s in seconds
        )

    def function(self, command: int) -> Slots:
        """Read, write, convert."""
        commands: dict[int, Callable[[], Slots]] = {
            0xAA: self._read,
            0x55: self._write,
            0x3C: self._convert,
        }
        if command in commands:
            yield from commands[command]()

    def _address(self) -> Bits:
        low = yield from self.receive_byte()
        high = yield from self.receive_byte()
        return low | high << 8

    def _read(self) -> Slots:
        address = yield from self._address()
        sent = bytearray((0xAA, *address.to_bytes(2, "little")))
        while address < END:
            end = address // PAGE * PAGE + PAGE
            sent += self.memory[address:end]
            yield from self.send_bytes(bytes(self.memory[address:end]))
            yield from self.send_bytes(crc16_sent(sent))
            sent.clear()
            address = end

    def _write(self) -> Slots:
        address = yield from self._address()
        sent = bytes((0x55, *address.to_bytes(2, "little")))
        start = 0
        while address < END:
            value = yield from self.receive_byte()
            yield from self.send_bytes(crc16_sent(sent + bytes((value,)), start))
            self._take(address, value)
            yield from self.send_byte(self.memory[address])
            address += 1
            # the generator is loaded with the new address (from memory)
            sent, start = b"", address

    def _take(self, address: int, value: int) -> None:
        if address < CONTROL:
            return  # results cannot be written
        if CONTROL <= address < ALARMS:
            value &= 0xBD if address % 2 else 0xCF
        self.memory[address] = value

    def _volts(self, name: str) -> float:
        group = {name}
        for _ in self.settings.tied:
            for wire in self.settings.tied.items():
                if group & set(wire):
                    group |= set(wire)
        for other in group:
            first = self.memory[CONTROL + 2 * NAMES.index(other)]
            if first & OE and not first & OC:
                return ON_V
        return max(self.input_v.get(other, 0.0) for other in group)

    def _convert(self) -> Slots:
        mask = yield from self.receive_byte()
        preset = yield from self.receive_byte()
        places = [n for n in range(4) if mask >> n & 1]
        for place in places:
            how = preset >> 2 * place & 3
            if how in {1, 2}:
                fill = 0xFF if how == 2 else 0x00
                self.memory[2 * place : 2 * place + 2] = bytes((fill, fill))
        yield from self.send_bytes(crc16_sent(bytes((0x3C, mask, preset))))
        self._start(places)
        while self.memory[SUPPLY] == OWN_SUPPLY:
            yield lambda: 0 if self._busy else LISTEN

    def _start(self, places: list[int]) -> None:
        self._job += 1
        job = self._job
        self._busy = True
        supplied = True
        settings = self.settings

        def sag() -> None:
            nonlocal supplied
            supplied = False

        def end() -> None:
            if job == self._job:
                self._busy = False
                self.supply.rest()
                for place in places if supplied else ():
                    self._finish(place)

        bits = sum(self.memory[CONTROL + 2 * n] & 0x0F or 16 for n in places)
        self.supply.work(
            settings.active_ma / 1000, least_v=settings.convert_min_v, on_sag=sag
        )
        self.surroundings.after(bits * settings.bit_us + EXTRA_US, end)

    def _finish(self, place: int) -> None:
        at = CONTROL + 2 * place
        bits = self.memory[at] & 0x0F or 16
        full_v = 5.12 if self.memory[at + 1] & IR else 2.56
        code = min(65535, int(self._volts(NAMES[place]) / full_v * 65536 + 1e-6))
        code &= 0xFFFF << 16 - bits & 0xFFFF
        self.memory[2 * place : 2 * place + 2] = code.to_bytes(2, "little")
        low, high = self.memory[ALARMS + 2 * place : ALARMS + 2 * place + 2]
        flags = (AFL if code >> 8 < low else 0) | (AFH if code >> 8 > high else 0)
        self.memory[at + 1] = self.memory[at + 1] & ~(AFL | AFH) | flags


KINDS = (
    DeviceKind(
        family=0x20,
        title="quad converter, 16 bit",
        settings=QuadConverterSettings,
        model=QuadConverter,
    ),
)
