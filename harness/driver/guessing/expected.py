"""Codes that a search expects on its bus, and what they say of the next bit."""

from __future__ import annotations

from collections.abc import Iterable

from harness.driver.guessing.account import CRC_FROM
from harness.wire.crc import crc8
from harness.wire.romcode import RomCode

CERTAIN = 0.999
"""Of bits that follow from what was heard, but for a slot that was misheard."""


def crc_bits(path: list[int]) -> list[int]:
    """The eight bits that follow a path of 56 if its CRC is right."""
    body = RomCode.from_bits([*path[:CRC_FROM], *[0] * 8]).wire[:7]
    check = crc8(body)
    return [check >> place & 1 for place in range(8)]


class ExpectedCodes:
    """Codes that are likely here, and not found yet.

    Args:
        roms: the codes.
        presence: how likely each of them is on the bus, and takes part.
    """

    def __init__(self, roms: Iterable[RomCode], presence: float) -> None:
        self._left = {rom: rom.bits for rom in roms}
        self._absence = 1 - presence

    def drop(self, rom: RomCode) -> None:
        """Expect this one no longer."""
        self._left.pop(rom, None)

    def below(self, path: list[int]) -> list[tuple[int, ...]]:
        """Bits of those that go on from a path."""
        begun, depth = tuple(path), len(path)
        return [bits for bits in self._left.values() if bits[:depth] == begun]

    def guess(
        self, below: list[tuple[int, ...]], depth: int, *, entered: bool
    ) -> tuple[int, float]:
        """The bit at ``depth`` that most of them have; probability that at least one has it.

        Where they agree and the first bits of one were right, it is most likely there.
        """
        ones = sum(bits[depth] for bits in below)
        bit = int(2 * ones > len(below))
        with_it = ones if bit else len(below) - ones
        if with_it == len(below) and entered:
            return bit, CERTAIN
        absent = self._absence**with_it
        return bit, 1 - absent
