"""Family 05h: one transistor that each match toggles.

Source: data sheet of family 05h (part DS2405) p. 1-2.
"""

from __future__ import annotations

from collections.abc import Generator
from random import Random

from harness.simulation.devices.base import Device, DeviceSurroundings, Slots, Want
from harness.simulation.devices.common.pins import Pins, PinSettings
from harness.simulation.devices.kind import DeviceKind
from harness.wire.romcode import RomCode

MATCH_ROM = 0x55
READ_ROM = 0x33


class TogglingSwitch(Device[PinSettings]):
    """A pin without settings.

    Attributes:
        pins: the only channel.
        toggles: how often it was toggled.
    """

    knows_conditional_search = True

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
        self.pins = Pins("a", settings, surroundings)
        self.toggles = 0

    def load_power_on_values(self) -> None:
        """Off (from memory)."""
        self.pins.switch(1)

    def meets_condition(self) -> bool:
        """The transistor conducts."""
        return self.pins.latches == 0

    def _session(self) -> Slots:
        command = yield from self.receive_byte()
        selected = yield from self._rom_command(command)
        while selected and command != READ_ROM:
            yield lambda: self.pins.levels

    def _match(self) -> Generator[Want, int, bool]:
        matched = yield from super()._match()
        if matched:
            self.toggles += 1
            self.pins.switch(1 - self.pins.latches)
        return matched


KINDS = (
    DeviceKind(
        family=0x05,
        title="single switch, toggled by a match",
        settings=PinSettings,
        model=TogglingSwitch,
    ),
)
