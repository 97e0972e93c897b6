"""Values of settings: the order in which they are sent, and how each is written."""

from __future__ import annotations

from collections.abc import Mapping

from harness.instruments.row import Level
from harness.instruments.words import OUTPUT


def in_order(settings: Mapping[str, Level]) -> list[tuple[str, Level]]:
    """Settings in the order given, but for an output, which is switched on last of all."""
    return sorted(
        settings.items(), key=lambda each: each[0] == OUTPUT and bool(each[1])
    )


def as_sent(value: Level) -> str:
    """A value as it is sent: 1 and 0 for on and off (SCPI-99, volume 1, 7.3, from memory)."""
    return str(int(value)) if isinstance(value, bool) else f"{value:.6g}"


class Sent:
    """A value in a command; ``{value:.3f}`` asks for its own digits."""

    def __init__(self, value: Level) -> None:
        self._value = value

    def __format__(self, how: str) -> str:
        if not how:
            return as_sent(self._value)
        return format(int(self._value) if how.endswith("d") else self._value, how)
