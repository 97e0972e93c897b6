"""Register maps as rows: name, place, width, scale, unit; one decode, one encode."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from harness.errors import UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One value inside a block of bytes.

    Attributes:
        name: quantity or setting it stands for.
        offset: first byte in the block.
        about: one sentence for people.
        count: bytes that hold it.
        shift: bits below it in those bytes.
        bits: its width; all bits above ``shift`` if 0.
        scale: value of one step.
        bias: value of raw zero.
        unit: as printed; empty for plain numbers.
        signed: two's complement.
        order: byte order.
    """

    name: str
    offset: int
    about: str = ""
    count: int = 1
    shift: int = 0
    bits: int = 0
    scale: float = 1
    bias: float = 0
    unit: str = ""
    signed: bool = False
    order: Literal["little", "big"] = "little"

    @property
    def width(self) -> int:
        """Bits that the value takes."""
        return self.bits or 8 * self.count - self.shift

    def raw(self, block: bytes) -> int:
        """The bits as a whole number, sign included."""
        word = int.from_bytes(block[self.offset : self.offset + self.count], self.order)
        raw = word >> self.shift & (1 << self.width) - 1
        if self.signed and raw >> self.width - 1:
            raw -= 1 << self.width
        return raw

    def decode(self, block: bytes) -> float | int:
        """The value in its unit; a whole number if one step is one."""
        raw = self.raw(block)
        if self.scale == 1 and self.bias == 0:
            return raw
        return raw * self.scale + self.bias

    def encode(self, block: bytes, value: float) -> bytes:
        """The block with the nearest step of a value put in; other bits stay.

        Raises:
            UsageError: the value does not fit.
        """
        raw = round((value - self.bias) / self.scale)
        low = -(1 << self.width - 1) if self.signed else 0
        if not low <= raw < low + (1 << self.width):
            least, most = (
                step * self.scale + self.bias
                for step in (low, low + (1 << self.width) - 1)
            )
            raise UsageError(
                f"{self.name} is {value:g} {self.unit}".rstrip(),
                hint=f"expected {least:g} to {most:g}",
            )
        mask = ((1 << self.width) - 1) << self.shift
        place = slice(self.offset, self.offset + self.count)
        word = int.from_bytes(block[place], self.order) & ~mask
        word |= raw << self.shift & mask
        return (
            block[: place.start]
            + word.to_bytes(self.count, self.order)
            + block[place.stop :]
        )
