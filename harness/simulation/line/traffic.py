"""What the host says on the line, as far as its characters alone show it.

At standard speed: a long low is a reset; then come slots, a short low being a 1. The
first eight are the ROM command, which says how many slots follow before the function
command.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.simulation.adapter.uart import Framing
from harness.simulation.faults.base import Layer

RESET_US = 400.0
"""Between the longest slot (120) and the shortest reset that a bad rate makes."""

ONE_US = 15.0
"""Longest low that every device takes for a 1."""

_SLOTS_BEFORE_FUNCTION = {0x33: 64, 0x55: 64, 0xCC: 0, 0xA5: 0, 0xF0: 192, 0xEC: 192}
"""ROM command -> slots between it and the function command."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FramePosition:
    """Where in a session a slot is.

    Attributes:
        bit: what was written; 1 for a read.
        count: slots since the reset, this one included; 0 for the reset itself.
        place: its place in the command byte it belongs to; None outside.
        value: the byte as far as it is known with this slot.
        layer: ROM or function, inside a command byte.
    """

    bit: int
    count: int
    place: int | None = None
    value: int = 0
    layer: Layer | None = None

    def ends(self, command: int, layer: Layer) -> bool:
        """True for the last slot of a command of this layer."""
        return (
            self.place == 7
            and self.value == command
            and layer in {Layer.ANY, self.layer}
        )


class HostTraffic:
    """Follows the characters."""

    def __init__(self) -> None:
        self._count = 0
        self._value = 0
        self._function_at: int | None = None
        self._lost = True

    def note(self, byte: int, framing: Framing) -> FramePosition | None:
        """Take the next character; None for one before the first reset."""
        low_us = _low_us(byte, framing)
        if low_us >= RESET_US:
            self._count, self._value = 0, 0
            self._function_at = None
            self._lost = False
            return FramePosition(bit=0, count=0)
        if self._lost:
            return None
        self._count += 1
        return self._slot(1 if low_us <= ONE_US else 0)

    def _slot(self, bit: int) -> FramePosition:
        count = self._count
        if count <= 8:
            place, layer = count - 1, Layer.ROM
        elif self._function_at is not None and 0 < count - self._function_at <= 8:
            place, layer = count - self._function_at - 1, Layer.FUNCTION
        else:
            return FramePosition(bit=bit, count=count)
        self._value = (self._value if place else 0) | bit << place
        if count == 8:
            gap = _SLOTS_BEFORE_FUNCTION.get(self._value)
            self._function_at = None if gap is None else 8 + gap
        return FramePosition(
            bit=bit, count=count, place=place, value=self._value, layer=layer
        )


def _low_us(byte: int, framing: Framing) -> float:
    for at_us, level in framing.transitions(byte):
        if level == 1:
            return at_us
    raise ValueError("a character always ends high")
