"""Commands of the bridge, and what shows that it restarted, as rows.

The whole sheet could not be read. Sources: packet form and CRC rule from two byte captures
in public forum threads about family 19h (part DS28E17; the maker's support forum, January
2026, and an electronics forum, thread 415372); codes, status bits and the reset value of
the speed: from memory.
"""

from __future__ import annotations

from harness.families.command import (
    CODE,
    Command,
    Counted,
    Effect,
    Part,
    Sender,
    Status,
    crc16,
    device,
    host,
)
from harness.families.restart import RestartSign, Trace

_SOURCE = (
    "from memory; its CRC: byte captures in two public forum threads about the part"
)

_BUSY = Status(name="transfer", ready=0)
_STATUS = device("status", about="b0 CRC wrong, b1 not acknowledged, b3 no start")
_WRITE_STATUS = device(
    "write status",
    about="0 all acknowledged, n the first byte that was not, FFh none tried",
)
_TARGET = host("address", about="seven bits and the direction")


def _packet(
    name: str, code: int, *sent: Part, answered: tuple[Part, ...], effect: Effect
) -> Command:
    covered = [part.name for part in sent if hasattr(part, "name")]
    return Command(
        name=name,
        code=bytes([code]),
        parts=(*sent, crc16(CODE, *covered, sender=Sender.HOST), _BUSY, *answered),
        effect=effect,
        source=_SOURCE,
    )


def _writes(name: str, code: int, *, addressed: bool) -> Command:
    return _packet(
        name,
        code,
        *((_TARGET,) if addressed else ()),
        host("length"),
        host("data", Counted("length")),
        answered=(_STATUS, _WRITE_STATUS),
        effect=Effect.STORED,
    )


COMMANDS = (
    _writes("write with stop", 0x4B, addressed=True),
    _writes("write without stop", 0x5A, addressed=True),
    _writes("write only", 0x69, addressed=False),
    _writes("write only with stop", 0x78, addressed=False),
    _packet(
        "read with stop",
        0x87,
        _TARGET,
        host("length"),
        answered=(_STATUS, device("data", Counted("length"))),
        effect=Effect.NOTHING,
    ),
    _packet(
        "write, read with stop",
        0x2D,
        _TARGET,
        host("write length"),
        host("pointer", Counted("write length")),
        host("length"),
        answered=(_STATUS, _WRITE_STATUS, device("data", Counted("length"))),
        effect=Effect.STORED,
    ),
    Command(
        name="write configuration",
        code=b"\xd2",
        parts=(host("configuration", about="0: 100 kHz, 1: 400 kHz, 2: 900 kHz"),),
        effect=Effect.VOLATILE,
        source="from memory",
    ),
    Command(
        name="read configuration",
        code=b"\xe1",
        parts=(device("configuration"),),
        source="from memory",
    ),
    Command(
        name="enable sleep", code=b"\x1e", effect=Effect.VOLATILE, source="from memory"
    ),
    Command(
        name="read revision",
        code=b"\xc3",
        parts=(device("revision"),),
        source="from memory",
    ),
)
"""Family 19h. Parts behind the bridge may store what is written to them."""

RESTARTS = (
    RestartSign(
        shown_by="speed_khz",
        trace=Trace.SETTING,
        after=400,
        governs=frozenset({"speed_khz"}),
        about="speed of the I2C side",
        source="from memory",
    ),
)
