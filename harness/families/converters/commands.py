"""Commands of the converters, as rows.

Sources: data sheets families 20h (part DS2450) p. 4-10 and 16, 2Ch (DS2890) p. 5-12. From
memory: the CRCs of writes behind the first and of a conversion of 20h; release code,
control and step commands of 2Ch.
"""

from __future__ import annotations

from harness.families.command import (
    ADDRESS,
    CODE,
    OPEN,
    Again,
    Command,
    CrcStart,
    Effect,
    Status,
    ToPageEnd,
    crc16,
    device,
    host,
    two_byte_address,
)

_20 = "data sheet family 20h (part DS2450) p. 4-10 and 16"
_2C = "data sheet family 2Ch (part DS2890) p. 5-12"

_STORED = device("stored", moves=True)

QUAD = (
    Command(
        name="read memory",
        code=b"\xaa",
        parts=(
            two_byte_address(),
            device("data", ToPageEnd(8)),
            crc16(CODE, ADDRESS, "data"),
            Again((device("data", 8), crc16("data"))),
        ),
        about="page 0 results, 1 control, 2 alarms, 3 calibration and supply",
        source=_20,
    ),
    Command(
        name="write memory",
        code=b"\x55",
        parts=(
            two_byte_address(),
            host("data"),
            crc16(CODE, ADDRESS, "data"),
            _STORED,
            Again((host("data"), crc16("data", start=CrcStart.ADDRESS), _STORED)),
        ),
        effect=Effect.VOLATILE,
        about="bytes 0018h to 001Fh but 001Ch spoil the calibration",
        source=f"{_20}; CRCs behind the first: from memory",
    ),
    Command(
        name="convert",
        code=b"\x3c",
        parts=(
            host("mask", about="b0 to b3 are channels A to D"),
            host("preset", about="two bits a channel: 00 keep, 01 zeros, 10 ones"),
            crc16(CODE, "mask", "preset"),
            Status(name="conversion", longest_ms=5.3),
        ),
        effect=Effect.VOLATILE,
        about="80 us a bit and 160 us at most; fed from the data line a strong pull-up in "
        "place of slots",
        source=f"{_20}; its CRC: from memory",
    ),
)
"""Family 20h."""

_ECHO = device("echo", about="as sent, or nothing may be released")
_RELEASE = host("release", values=frozenset({0x96}))


def _step(name: str, code: int) -> Command:
    return Command(
        name=name,
        code=bytes([code]),
        parts=(device("position"),),
        effect=Effect.VOLATILE,
        source="from memory",
    )


POTENTIOMETER = (
    Command(
        name="read position",
        code=b"\xf0",
        parts=(
            device("control", about="0Ch pump off, 4Ch pump on"),
            device("position"),
            device("zeros", OPEN, values=frozenset({0})),
        ),
        source=_2C,
    ),
    Command(
        name="write position",
        code=b"\x0f",
        parts=(host("position"), _ECHO, _RELEASE),
        effect=Effect.VOLATILE,
        source=f"{_2C}; the release: from memory",
    ),
    Command(
        name="write control",
        code=b"\x55",
        parts=(host("control", about="0Ch or 4Ch"), _ECHO, _RELEASE),
        effect=Effect.VOLATILE,
        source="from memory",
    ),
    Command(
        name="read control",
        code=b"\xaa",
        parts=(device("features", about="F3h: 100 kohm, 256 steps"), device("control")),
        source=f"{_2C}; the order: from memory",
    ),
    _step("increment", 0xC3),
    _step("decrement", 0x99),
)
"""Family 2Ch."""
