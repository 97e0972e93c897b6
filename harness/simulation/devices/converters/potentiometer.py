"""Family 2Ch: a digital potentiometer.

Source: data sheet DS2890 (family 2Ch) p. 1, 5-6 and 12. From memory: the release code,
the write of the control byte, the answers to steps, the position after power-up. That a step beyond an end stays there is
assumed.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from harness.simulation.devices.base import LISTEN, Device, DeviceSurroundings, Slots
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.settings.device import DeviceSettings
from harness.wire.romcode import RomCode

FEATURES = 0xF3
RELEASE = 0x96
VALID_CONTROLS = (0x0C, 0x4C)
LAST = 255


class Potentiometer(Device[DeviceSettings]):
    """A wiper and a charge pump.

    Attributes:
        position: of the wiper.
        control: 0Ch, or 4Ch with the pump on.
    """

    knows_conditional_search = True

    def __init__(
        self,
        *,
        settings: DeviceSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.position = 0
        self.control = VALID_CONTROLS[0]

    def load_power_on_values(self) -> None:
        """Wiper at 0, pump off."""
        self.position = 0
        self.control = VALID_CONTROLS[0]

    def meets_condition(self) -> bool:
        """The wiper stands where it wakes."""
        return self.position == 0

    def function(self, command: int) -> Slots:
        """The six commands."""
        commands: dict[int, Callable[[], Slots]] = {
            0xF0: self._read_position,
            0x0F: lambda: self._write(self._move),
            0x55: lambda: self._write(self._set_control),
            0xAA: lambda: self.send_bytes(bytes((FEATURES, self.control))),
            0xC3: lambda: self._step(1),
            0x99: lambda: self._step(-1),
        }
        if command in commands:
            yield from commands[command]()

    def _read_position(self) -> Slots:
        yield from self.send_bytes(bytes((self.control, self.position)))
        while True:
            yield 0

    def _write(self, take: Callable[[int], None]) -> Slots:
        value = yield from self.receive_byte()
        yield from self.send_byte(value)
        release = yield from self.receive_byte()
        if release == RELEASE:
            take(value)
        yield LISTEN

    def _move(self, position: int) -> None:
        self.position = position

    def _set_control(self, control: int) -> None:
        if control in VALID_CONTROLS:
            self.control = control

    def _step(self, by: int) -> Slots:
        self.position = min(LAST, max(0, self.position + by))
        yield from self.send_byte(self.position)


KINDS = (
    DeviceKind(
        family=0x2C,
        title="digital potentiometer",
        settings=DeviceSettings,
        model=Potentiometer,
    ),
)
