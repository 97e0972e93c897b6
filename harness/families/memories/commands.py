"""Commands of the memories and of the counter, as rows.

Sources: data sheets families 2Dh (part DS2431) p. 7-12, 43h (DS28EC20) p. 10-16, 23h
(DS2433) p. 6, 08h 06h 04h (DS1992/DS1993/DS1994) p. 10-11, 0Ch (DS1996) p. 5-8, 1Dh
(DS2423) p. 6 and 13, 14h (DS2430A, 19-5236) p. 5-8, 0Bh 0Fh (DS2505 p. 11-14, DS2506 p.
7-11), 09h (DS2502) p. 10-12.
"""

from __future__ import annotations

from harness.families.command import (
    ADDRESS,
    CODE,
    OPEN,
    Again,
    Command,
    Crc,
    CrcStart,
    Effect,
    Programming,
    Rest,
    ToAddress,
    ToPageEnd,
    crc8,
    crc16,
    device,
    host,
    one_byte_address,
    two_byte_address,
)
from harness.families.common.redirected_memory import redirected_memory
from harness.families.common.scratchpad import ALTERNATING, ZEROS
from harness.families.common.scratchpad_commands import (
    copy_command,
    pad_commands,
    paged_read,
    plain_read,
)

_2D = "data sheet family 2Dh (part DS2431) p. 7-12"
_43 = "data sheet family 43h (part DS28EC20) p. 10-16"
_23 = "data sheet family 23h (part DS2433) p. 6"
_RAM = "data sheet families 08h and 06h (parts DS1992, DS1993) p. 10-11"
_1D = "data sheet family 1Dh (part DS2423) p. 6 and 13"
_14 = "data sheet family 14h (part DS2430A, 19-5236) p. 5-8"
_09 = "data sheet family 09h (part DS2502) p. 10-12"
_0B = "data sheets families 0Bh and 0Fh (parts DS2505 p. 11-14, DS2506 p. 7-11)"

EEPROM_2D = (*pad_commands(8, _2D), copy_command(10.0, _2D), plain_read(_2D))
EEPROM_43 = (
    *pad_commands(32, _43),
    copy_command(10.0, _43),
    plain_read(_43),
    paged_read(32, f"{_43}; that later pages are covered alone: from memory"),
)
EEPROM_23 = (
    *pad_commands(32, _23, read_crc=False),
    copy_command(5.0, _23),
    plain_read(_23),
)
"""Whether a CRC follows its scratchpad differs between generations of the part."""

RAM = (
    *pad_commands(32, _RAM, write_crc=False, read_crc=False),
    copy_command(0.03, _RAM, done=ALTERNATING | ZEROS),
    plain_read(_RAM),
)

_COUNTED = (device("counter", 4), device("zeros", 4, values=frozenset({0})))

COUNTER = (
    *pad_commands(32, _1D, read_crc=False),
    copy_command(0.03, _1D, code=0x5A),
    plain_read(_1D),
    Command(
        name="read memory and counter",
        code=b"\xa5",
        parts=(
            two_byte_address(),
            device("data", ToPageEnd(32)),
            *_COUNTED,
            crc16(CODE, ADDRESS, "data", "counter", "zeros"),
            Again(
                (
                    device("data", 32),
                    *_COUNTED,
                    crc16("data", "counter", "zeros"),
                )
            ),
        ),
        about="the counter belongs to the page; low byte first",
        source=_1D,
    ),
)


# -- 14h -----------------------------------------------------------------------------


def _short(name: str, code: int, *, writes: bool, about: str = "") -> Command:
    part = host("data", OPEN) if writes else device("data", OPEN)
    return Command(
        name=name,
        code=bytes([code]),
        parts=(one_byte_address(), part),
        effect=Effect.VOLATILE if writes else Effect.NOTHING,
        about="; ".join(filter(None, ["the address wraps", about])),
        source=_14,
    )


LOCKABLE = (
    _short(
        "read memory", 0xF0, writes=False, about="loads the EEPROM into the scratchpad"
    ),
    _short("write scratchpad", 0x0F, writes=True),
    _short("read scratchpad", 0xAA, writes=False),
    Command(
        name="copy scratchpad",
        code=b"\x55\xa5",
        parts=(Rest(longest_ms=10.0),),
        effect=Effect.STORED,
        about="all 32 bytes; a reset instead of A5h takes it back",
        source=_14,
    ),
    _short("write application register", 0x99, writes=True),
    _short("read application register", 0xC3, writes=False),
    Command(
        name="copy and lock application register",
        code=b"\x5a\xa5",
        parts=(Rest(longest_ms=10.0),),
        effect=Effect.FOR_EVER,
        about="a reset instead of A5h takes it back",
        source=_14,
    ),
    Command(
        name="read status",
        code=b"\x66",
        parts=(
            host("zero", values=frozenset({0})),
            device(
                "status", values=frozenset({0xFF, 0xFC}), about="FFh open, FCh locked"
            ),
        ),
        source=_14,
    ),
)


# -- written once by a programming pulse ---------------------------------------------


def _programs(name: str, code: int, source: str, first: Crc, later: Crc) -> Command:
    stored = device("stored", moves=True, about="all bits ever programmed there, ANDed")
    return Command(
        name=name,
        code=bytes([code]),
        parts=(
            two_byte_address(),
            host("data"),
            first,
            Programming(),
            stored,
            Again((host("data"), later, Programming(), stored)),
        ),
        effect=Effect.FOR_EVER,
        about="with a wrong CRC the pulse must not be given",
        source=source,
    )


def _short_read(name: str, code: int, last: int, source: str = _09) -> Command:
    return Command(
        name=name,
        code=bytes([code]),
        parts=(
            two_byte_address(),
            crc8(CODE, ADDRESS),
            device("data", ToAddress(last)),
            crc8("data"),
        ),
        source=source,
    )


_SHORT_FIRST = crc8(CODE, ADDRESS, "data")
_SHORT_LATER = crc8("data", start=CrcStart.ADDRESS_LOW)
_LONG_FIRST = crc16(CODE, ADDRESS, "data")
_LONG_LATER = crc16("data", start=CrcStart.ADDRESS)

WRITE_ONCE_SHORT = (
    _short_read("read memory", 0xF0, 0x7F),
    Command(
        name="read memory with CRC",
        code=b"\xc3",
        parts=(
            two_byte_address(),
            crc8(CODE, ADDRESS),
            device("data", ToPageEnd(32)),
            crc8("data"),
            Again((device("data", 32), crc8("data"))),
        ),
        source="from memory",
    ),
    _short_read("read status", 0xAA, 0x07, "from memory"),
    _programs("write memory", 0x0F, _09, _SHORT_FIRST, _SHORT_LATER),
    _programs("write status", 0x55, _09, _SHORT_FIRST, _SHORT_LATER),
)
"""Families 09h and 89h."""


def write_once(last: int) -> tuple[Command, ...]:
    """Families 0Bh, 0Fh and their customised kinds.

    Args:
        last: last address of the data memory.
    """
    return (
        *redirected_memory(last, source=_0B, source_of_crc=_0B),
        Command(
            name="read status",
            code=b"\xaa",
            parts=(
                two_byte_address(),
                device("data", ToPageEnd(8)),
                crc16(CODE, ADDRESS, "data"),
                Again((device("data", 8), crc16("data"))),
            ),
            source=_0B,
        ),
        _programs("write memory", 0x0F, _0B, _LONG_FIRST, _LONG_LATER),
        _programs("write status", 0x55, _0B, _LONG_FIRST, _LONG_LATER),
    )
