"""The 64-bit ROM code that names a device.

On the wire: family code, six serial-number bytes (least significant first),
CRC-8; every byte least significant bit first. In print: 16 hex digits, most
significant byte first (CRC, serial number, family code), as data sheets draw it.

Source: data sheet of a family-01h serial number (part DS2401), p. 2.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from harness.wire.crc import crc8

_DIGITS = re.compile(r"[0-9A-Fa-f]{16}")


@dataclass(frozen=True, slots=True, order=True)
class RomCode:
    """A ROM code as eight bytes in wire order; its CRC may be wrong."""

    wire: bytes

    def __post_init__(self) -> None:
        if len(self.wire) != 8:
            raise ValueError(f"a ROM code has 8 bytes, got {len(self.wire)}")

    @classmethod
    def parse(cls, text: str) -> RomCode:
        """From 16 hex digits, most significant byte first.

        Raises:
            ValueError: not 16 hex digits. The CRC is not judged here.
        """
        if not _DIGITS.fullmatch(text):
            raise ValueError(
                f"a ROM code is 16 hex digits (CRC, serial number, family code), got {text!r}"
            )
        return cls(bytes.fromhex(text)[::-1])

    @classmethod
    def build(cls, family: int, serial: int) -> RomCode:
        """With the right CRC, from the family code and the 48-bit serial number."""
        body = bytes([family]) + serial.to_bytes(6, "little")
        return cls(body + bytes([crc8(body)]))

    @property
    def family(self) -> int:
        """Family code, 0 to 255."""
        return self.wire[0]

    @property
    def serial(self) -> int:
        """The 48-bit serial number."""
        return int.from_bytes(self.wire[1:7], "little")

    @property
    def crc_holds(self) -> bool:
        """True if the last byte is the CRC-8 of the first seven."""
        return crc8(self.wire) == 0

    @property
    def is_possible(self) -> bool:
        """True if a device can have this code.

        Eight zero bytes have a right CRC (a line held low reads so) and are no
        device: family code 00h is not used.
        """
        return self.crc_holds and self.family != 0

    @property
    def bits(self) -> tuple[int, ...]:
        """The 64 bits in wire order."""
        return tuple(byte >> shift & 1 for byte in self.wire for shift in range(8))

    @classmethod
    def from_bits(cls, bits: tuple[int, ...] | list[int]) -> RomCode:
        """From 64 bits in wire order."""
        if len(bits) != 64:
            raise ValueError(f"a ROM code has 64 bits, got {len(bits)}")
        value = sum(bit << place for place, bit in enumerate(bits))
        return cls(value.to_bytes(8, "little"))

    def __str__(self) -> str:
        return self.wire[::-1].hex().upper()
