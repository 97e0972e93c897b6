"""Pins of the switch kinds: open-drain transistors, pull-ups, wires, edges.

A pin is low if its transistor conducts, something holds it low, or a pin that it is
wired to is low; else a pull-up of the bench makes it high.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, runtime_checkable

from pydantic import Field

from harness.simulation.devices.base import DeviceSurroundings
from harness.simulation.settings.device import DeviceSettings


class PinSettings(DeviceSettings):
    """What the bench does to the pins of a switch."""

    held_low: tuple[str, ...] = Field(
        default=(), strict=False, description="pins that something outside holds low"
    )
    tied: dict[str, str] = Field(
        default_factory=dict, description="wires from pin to pin of this device"
    )
    follows: dict[str, str] = Field(
        default_factory=dict,
        description="pins driven by another device: pin to SOCKET.pin",
    )


@runtime_checkable
class HasPins(Protocol):
    """A device with pins that others may be wired to."""

    pins: Pins


class Pins:
    """The pins of one device.

    Attributes:
        names: bit 0 first.
        latches: 1 = transistor off.
        activity: 1 = an edge was seen.
        fallen: 1 = fell between the last two looks.
        held_low: names of pins held low from outside; a test may change it.
        watchers: called after each change.
    """

    def __init__(
        self, names: str, settings: PinSettings, surroundings: DeviceSurroundings
    ) -> None:
        self.names = names
        self.all = (1 << len(names)) - 1
        self.latches = self.all
        self.activity = 0
        self.held_low = set(settings.held_low)
        self.watchers: list[Callable[[], None]] = []
        self.fallen = 0
        self._tied = settings.tied
        self._follows: dict[str, str] = {}
        self._surroundings = surroundings
        self._seen = self.levels

        def watch_others() -> None:
            # all are made by the time the bench gets power
            self._follows = settings.follows
            for source in self._follows.values():
                self._other(source)[0].watchers.append(self.look)
            self._seen = self.levels

        surroundings.after(0.0, watch_others)

    def _other(self, source: str) -> tuple[Pins, str]:
        socket, _, pin = source.rpartition(".")
        device = self._surroundings.device_in(socket)
        if not isinstance(device, HasPins):
            raise ValueError(f"nothing can follow {source!r}: no pins there")  # noqa: TRY004 - a mistake of the fixture
        return device.pins, pin

    @property
    def levels(self) -> int:
        """Levels of all pins now."""
        low = {n for i, n in enumerate(self.names) if not self.latches >> i & 1}
        low |= self.held_low
        for pin, source in self._follows.items():
            pins, name = self._other(source)
            if not pins.levels >> pins.names.index(name) & 1:
                low.add(pin)
        for _ in self._tied:  # as often as a chain of wires may be long
            for one, other in self._tied.items():
                if one in low or other in low:
                    low |= {one, other}
        return sum((n not in low) << i for i, n in enumerate(self.names))

    def switch(self, latches: int) -> None:
        """Set all latches."""
        self.latches = latches & self.all
        self.look()

    def look(self) -> None:
        """Count the edges since the last look, and pass the level on to what is wired to it."""
        levels = self.levels
        self.activity |= levels ^ self._seen
        self.fallen = self._seen & ~levels
        self._seen = levels
        for watcher in self.watchers:
            watcher()

    def status(self) -> int:
        """Two channels: pin and latch of each, the complement above."""
        low = 0
        for place in range(2):
            low |= (self.levels >> place & 1) << 2 * place
            low |= (self.latches >> place & 1) << 2 * place + 1
        return low | (low ^ 0x0F) << 4
