"""One device alone on a bus of many: the search, walked down its own path.

After the position at which its ROM code differs from every other one the device is
the only one that still takes part. From there on each position gives two slots in
which it alone answers, one of them with a 0, and one that it alone receives. That
works for every family and leaves no register changed.
"""

from __future__ import annotations

from collections.abc import Iterable

from harness.driver.bus import Bus, RomCommand
from harness.errors import DeviceAbsent
from harness.wire.romcode import RomCode

_BOTH = [0, 0]
BITS = 64


def alone_from(rom: RomCode, others: Iterable[RomCode]) -> int:
    """Number of path bits after which ``rom`` is alone among ``others``."""
    needed = 0
    for other in others:
        if other == rom:
            continue
        same = next(
            place
            for place, (a, b) in enumerate(zip(rom.bits, other.bits, strict=True))
            if a != b
        )
        needed = max(needed, same + 1)
    return needed


class Isolated:
    """A device that can be made to take part alone.

    Args:
        bus: the bus.
        rom: the device.
        others: every other device on the bus.
    """

    def __init__(self, bus: Bus, rom: RomCode, others: Iterable[RomCode]) -> None:
        self.bus = bus
        self.rom = rom
        self.first = alone_from(rom, others)
        """First position at which the device is alone, counted from 0."""

    def positions(self, bit: int) -> list[int]:
        """Positions at which it is alone, its own bit is ``bit`` and another follows."""
        return [
            place
            for place in range(self.first, BITS - 1)
            if self.rom.bits[place] == bit
        ]

    def enter(self, position: int) -> None:
        """Reset and walk down to just before the pair of ``position``, safe slots.

        Raises:
            DeviceAbsent: the device does not take part on the way.
            LineError, AdapterError: as the bus says.
        """
        bus, path = self.bus, self.rom.bits[:position]
        bus.require_presence()
        command = [RomCommand.SEARCH >> place & 1 for place in range(8)]
        bits = command + [level for bit in path for level in (1, 1, bit)]
        frames = bus.slots.encode_bits(bits)
        echoes = bus.send(frames)
        bus.check_written(frames, echoes, [*range(8), *range(10, len(bits), 3)])
        levels = bus.slots.decode_bits(echoes)[8:]
        for place, bit in enumerate(path):
            if levels[3 * place : 3 * place + 2] not in (_BOTH, [bit, 1 - bit]):
                raise DeviceAbsent(
                    f"{self.rom} left the search at position {place + 1}",
                    where=str(self.rom),
                )

    def pair(self) -> list[int]:
        """The two reads of a position, safe slots."""
        return self.bus.read_bits(2)

    def own_pair(self, position: int) -> list[int]:
        """What the device alone answers there."""
        bit = self.rom.bits[position]
        return [bit, 1 - bit]
