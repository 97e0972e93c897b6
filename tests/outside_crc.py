"""The two check values of the bus by an independent library, for tests to compare with.

Parameters: width, polynomial, start value, reflected in and out, final inversion, as
application note 27 and data sheet DS28EC20 p. 24-25 give them; `tests/wire/test_crc.py`
holds both against published examples.
"""

from __future__ import annotations

from anycrc import CRC  # type: ignore[import-untyped]

_EIGHT = CRC(8, 0x31, 0, True, True, 0)
_SIXTEEN = CRC(16, 0x8005, 0, True, True, 0xFFFF)


def crc_8(data: bytes | bytearray) -> int:
    """CRC-8 of ROM codes and scratchpads."""
    return int(_EIGHT.calc(data))


def crc_16(data: bytes | bytearray) -> int:
    """CRC-16 of memory pages, inverted as it stands on the bus."""
    return int(_SIXTEEN.calc(data))
