"""Slots whose levels a device knows beforehand: a byte that it sends or receives.

Where several slots in a row are fixed, the bench need not ask the device at each of
them (``simulation.line.cached_line``).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from harness.wire.romcode import RomCode


@dataclass(frozen=True, slots=True)
class SlotBlock:
    """Slots in a row, in which nothing is decided but by the bits that are sampled.

    Attributes:
        levels: bit k is the level in slot k: 1 leaves the line, 0 pulls.
        length: number of slots.
        expected: bits that must be sampled for the device to go on to the end, if any
            bits will not do.
    """

    levels: int
    length: int
    expected: int | None = None

    def differs(self, bits: int, count: int) -> bool:
        """True if the first ``count`` bits are not those expected."""
        if self.expected is None:
            return False
        return bool((bits ^ self.expected) & ((1 << count) - 1))


SINGLE = (SlotBlock(0, 1), SlotBlock(1, 1))
"""One slot that pulls, one that leaves the line."""

BYTE = tuple(SlotBlock(value, 8) for value in range(256))
"""Eight slots that send a byte, least significant bit first."""

RECEIVE_BYTE = BYTE[0xFF]
"""Eight slots written by the host."""

SEARCH_STEP = (SlotBlock(0b110, 3), SlotBlock(0b101, 3))
"""A search's two reads and the write after them, by the bit of the ROM code."""


@lru_cache(maxsize=4096)
def match_of(rom: RomCode) -> SlotBlock:
    """The slots in which the host writes a ROM code, which must be this one."""
    return SlotBlock((1 << 64) - 1, 64, int.from_bytes(rom.wire, "little"))
