"""The two check values used on the bus.

CRC-8 guards ROM codes and scratchpads: x^8 + x^5 + x^4 + 1, reflected (8Ch),
start 00h, sent true. CRC-16 guards memory transfers: x^16 + x^15 + x^2 + 1,
reflected (A001h), start 0000h, sent inverted and low byte first.

Source: the device maker's application note 27 and, for the parameters, the
"Catalogue of parametrised CRC algorithms" (8 bit, 31h, reflected; 16 bit, 8005h,
reflected, inverted).

Blind spot: a block of zeros has CRC-8 00h, so a line held low "checks out";
callers must also test something that cannot be zero.
"""

from collections.abc import Iterable

CRC16_RESIDUE = 0xB001
"""Register after a message and its two inverted check bytes, as received."""


def _table(reflected_polynomial: int) -> tuple[int, ...]:
    entries = []
    for index in range(256):
        register = index
        for _ in range(8):
            carry = register & 1
            register >>= 1
            if carry:
                register ^= reflected_polynomial
        entries.append(register)
    return tuple(entries)


_CRC8 = _table(0x8C)
_CRC16 = _table(0xA001)


def crc8(data: Iterable[int], start: int = 0) -> int:
    """CRC-8 register after ``data`` (bytes in wire order); 0 over data + CRC.

    Example:
        >>> import harness
        >>> hex(harness.crc8(b"123456789"))
        '0xa1'
    """
    register = start
    for byte in data:
        register = _CRC8[register ^ byte]
    return register


def crc16(data: Iterable[int], start: int = 0) -> int:
    """CRC-16 register after ``data``, before the inversion used on the wire.

    Example:
        >>> import harness
        >>> hex(harness.crc16(b"123456789"))
        '0xbb3d'
    """
    register = start
    for byte in data:
        register = _CRC16[(register ^ byte) & 0xFF] ^ (register >> 8)
    return register


def crc16_sent(data: Iterable[int], start: int = 0) -> bytes:
    """The two bytes a device sends after ``data``: inverted, low byte first."""
    return (crc16(data, start) ^ 0xFFFF).to_bytes(2, "little")


def crc16_holds(data_and_check: Iterable[int], start: int = 0) -> bool:
    """True if the last two bytes are the right inverted CRC-16 of the others."""
    return crc16(data_and_check, start) == CRC16_RESIDUE
