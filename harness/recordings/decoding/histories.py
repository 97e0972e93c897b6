"""What the transactions of one device say together."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from harness.families.secret import Secret
from harness.families.security.recorded_mac import RecordedAuthenticator
from harness.families.thermometers.recorded_conformance import RecordedThermometer
from harness.families.transactions import SeenCommand
from harness.wire.romcode import RomCode

_THERMOMETER, _AUTHENTICATOR = 0x28, 0x33


class DeviceHistory(Protocol):
    """One device, command by command."""

    def feed(self, seen: SeenCommand) -> None:
        """Takes a command, of this device or of all at once."""
        ...

    def notes(self) -> Iterator[str]:
        """What a reader should know of the device."""
        ...


class Histories:
    """The histories of all devices of a recording.

    Args:
        secret: what authenticators should hold, or None.
    """

    def __init__(self, secret: Secret | None = None) -> None:
        self._secret = secret
        self._of: dict[RomCode, DeviceHistory] = {}

    def meet(self, rom: RomCode) -> None:
        """A device is on the line from here on."""
        if rom in self._of:
            return
        if rom.family == _THERMOMETER:
            self._of[rom] = RecordedThermometer(rom.wire)
        elif rom.family == _AUTHENTICATOR and self._secret is not None:
            self._of[rom] = RecordedAuthenticator(rom.wire, self._secret)

    def feed(self, rom: RomCode | None, seen: SeenCommand) -> None:
        """A command of one device, or of all where none is named."""
        chosen = [self._of[rom]] if rom in self._of else []
        for history in chosen if rom is not None else self._of.values():
            history.feed(seen)

    def notes(self, rom: RomCode) -> tuple[str, ...]:
        """What a reader should know of a device."""
        history = self._of.get(rom)
        return tuple(history.notes()) if history is not None else ()

    def wrong(self) -> Iterator[tuple[RomCode, str]]:
        """What was found wrong since the last call."""
        for rom, history in self._of.items():
            if isinstance(history, RecordedAuthenticator):
                for what in history.wrong:
                    yield rom, what
                history.wrong.clear()
