"""Commands of the authenticators, and what shows that one restarted, as rows.

Sources: data sheets family 33h (parts DS2432 preliminary p. 13-20, DS1961S p. 16-24) and
2Fh (DS28E01-100, abridged, rev 8) p. 1. Times of 2Fh: from memory.
"""

from __future__ import annotations

from dataclasses import replace

from harness.families.command import (
    ADDRESS,
    CODE,
    OPEN,
    Command,
    Effect,
    Rest,
    Sender,
    ToPageEnd,
    crc16,
    device,
    host,
    two_byte_address,
)
from harness.families.common.scratchpad import ALTERNATING
from harness.families.common.scratchpad_commands import RESUME_SIGN

_SHEET = "data sheet family 33h (parts DS2432 p. 13-20, DS1961S p. 16-24)"
_COMPUTING, _PROGRAMMING = Rest(longest_ms=2.0), Rest(longest_ms=10.0)
_END = device(
    "end",
    OPEN,
    confirms=ALTERNATING,
    about="AAh or 55h: done, 00h: wrong MAC, FFh: refused",
)

COMMANDS = (
    Command(
        name="write scratchpad",
        code=b"\x0f",
        parts=(
            two_byte_address(),
            host("row", 8, confidential=True),
            crc16(CODE, ADDRESS, "row"),
        ),
        effect=Effect.VOLATILE,
        about="the row is a secret if it is meant for 0080h or for the next secret",
        source=_SHEET,
    ),
    Command(
        name="read scratchpad",
        code=b"\xaa",
        parts=(
            two_byte_address(Sender.DEVICE),
            device("status", about="5Fh before a copy"),
            device("row", 8, confidential=True, filler=0xAA),
            crc16(CODE, ADDRESS, "status", "row"),
        ),
        source=_SHEET,
    ),
    Command(
        name="copy scratchpad",
        code=b"\x55",
        parts=(
            two_byte_address(),
            host("status"),
            _COMPUTING,
            host("mac", 20),
            _PROGRAMMING,
            _END,
        ),
        effect=Effect.STORED,
        source=f"{_SHEET}; 00h for a wrong MAC: from memory",
    ),
    Command(
        name="load first secret",
        code=b"\x5a",
        parts=(two_byte_address(), host("status"), _PROGRAMMING, _END),
        effect=Effect.FOR_EVER,
        about="the old secret is lost",
        source=_SHEET,
    ),
    Command(
        name="compute next secret",
        code=b"\x33",
        parts=(two_byte_address(), Rest(longest_ms=12.0), _END),
        effect=Effect.FOR_EVER,
        about="the old secret is lost; the scratchpad reads AAh afterwards",
        source=_SHEET,
    ),
    Command(
        name="read authenticated page",
        code=b"\xa5",
        parts=(
            two_byte_address(),
            device("data", ToPageEnd(32)),
            device("fixed", values=frozenset({0xFF})),
            crc16(CODE, ADDRESS, "data", "fixed"),
            _COMPUTING,
            device("mac", 20),
            crc16("mac"),
            device("end", OPEN, about="AAh or 55h"),
        ),
        about="the challenge stands in the scratchpad",
        source=_SHEET,
    ),
    Command(
        name="refresh scratchpad",
        code=b"\xa3",
        parts=(two_byte_address(), host("row", 8), crc16(CODE, ADDRESS, "row")),
        effect=Effect.VOLATILE,
        about="newer parts only; loads what the memory holds",
        source="data sheet family 33h (part DS1961S) p. 22-24; its CRC: from memory",
    ),
    Command(
        name="read memory",
        code=b"\xf0",
        parts=(two_byte_address(), device("data", OPEN)),
        about="no CRC; the secret reads as ones",
        source=_SHEET,
    ),
)
"""Families 33h and 2Fh."""

RESTARTS = (
    replace(
        RESUME_SIGN,
        source="data sheet family 33h (part DS1961S) p. 7-8; that a restart clears it: from memory",
    ),
)
