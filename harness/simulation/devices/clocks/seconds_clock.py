"""Families 24h and 27h: a counter of seconds with a control byte.

Source: data sheets DS2415 (family 24h) p. 4, DS2417 (family 27h) p. 4-5. The interrupt output of a 27h, a pin of its own, is not modelled.
A battery keeps time and control, whatever happens on the line.
"""

from __future__ import annotations

from random import Random

from pydantic import Field

from harness.simulation.devices.base import Device, DeviceSurroundings, Slots
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.settings.device import DeviceSettings
from harness.wire.romcode import RomCode

READ_CLOCK = 0x66
WRITE_CLOCK = 0x99
OSC = 0x08
WRAP = 1 << 32


class SecondsClockSettings(DeviceSettings):
    """Time and control as the battery has kept them."""

    clock_s: int = Field(default=0, ge=0, lt=WRAP, description="time at power-up")
    control: int = Field(
        default=0x0C, ge=0, le=0xFF, description="control byte at power-up"
    )
    drift_ppm: float = Field(
        default=0.0, ge=-10_000, le=10_000, description="error of the crystal"
    )


class SecondsClock(Device[SecondsClockSettings]):
    """Control acts at once, a written time at the reset that follows.

    Attributes:
        control: the control byte.
        drift_ppm: error of the crystal; a test may change it before it is set.
    """

    def __init__(
        self,
        *,
        settings: SecondsClockSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.drift_ppm = settings.drift_ppm
        self.control = settings.control & 0xF0
        self._base_s: float = settings.clock_s
        self._since_us = 0.0
        self._pending: int | None = None
        self._set_control(settings.control)

    @property
    def seconds(self) -> float:
        """What it counts, fractions included."""
        if not self.control & OSC:
            return self._base_s
        elapsed_s = (self.surroundings.now_us() - self._since_us) / 1e6
        return self._base_s + elapsed_s * (1 + self.drift_ppm * 1e-6)

    def _set_control(self, value: int) -> None:
        now_s = self.seconds if self.control & OSC else self._base_s
        running = 0x0C if value & OSC else 0
        self.control = value & 0xF0 | running
        self._base_s, self._since_us = now_s, self.surroundings.now_us()

    def restart(self, *, leave_overdrive: bool = True) -> None:
        """A reset: a time that was written whole counts from here."""
        if self._pending is not None:
            self._base_s, self._since_us = self._pending, self.surroundings.now_us()
            self._pending = None
        super().restart(leave_overdrive=leave_overdrive)

    def abandon_work(self) -> None:
        """A time not yet taken over is lost."""
        self._pending = None

    def function(self, command: int) -> Slots:
        """Read and write."""
        if command == READ_CLOCK:
            time = (int(self.seconds) % WRAP).to_bytes(4, "little")
            while True:
                yield from self.send_bytes(bytes((self.control, *time)))
        elif command == WRITE_CLOCK:
            yield from self._write()

    def _write(self) -> Slots:
        control = yield from self.receive_byte()
        self._set_control(control)
        time = 0
        for place in range(4):
            byte = yield from self.receive_byte()
            time |= byte << 8 * place
        self._pending = time


KINDS = tuple(
    DeviceKind(
        family=family, title=title, settings=SecondsClockSettings, model=SecondsClock
    )
    for family, title in (
        (0x24, "clock, seconds"),
        (0x27, "clock, seconds, interrupt"),
    )
)
