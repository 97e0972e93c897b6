"""Commands of the switches and I/O ports, as rows.

Sources: data sheets families 3Ah (part DS2413, rev 3/15) p. 6 and 16-17, 29h (DS2408, rev
12/10) p. 16-21, 32-36 and 38, 12h (DS2406) p. 8, 13 and 15-16, 05h (DS2405, 050304) p.
1-2. From memory: what the later CRCs of F5h of a 29h cover, the bits of the channel
control of a 12h and what its CRCs cover, read slots of a 05h.
"""

from __future__ import annotations

from harness.families.command import (
    ADDRESS,
    CODE,
    OPEN,
    Again,
    Chosen,
    Command,
    Effect,
    Part,
    Place,
    ToAddress,
    crc16,
    device,
    host,
    two_byte_address,
)
from harness.families.common.redirected_memory import redirected_memory
from harness.families.common.status_port import (
    CONFIRMATION,
    status_commands,
    write_command,
)

_3A = "data sheet family 3Ah (part DS2413, rev 3/15) p. 6 and 16-17"
_29 = "data sheet family 29h (part DS2408, rev 12/10) p. 16 and 32-36"
_12 = "data sheet family 12h (part DS2406) p. 8, 13 and 15-16"

DUAL = status_commands(0x5A, _3A)
"""Family 3Ah."""

_SAMPLED = device("samples", 32)

OCTAL = (
    Command(
        name="read registers",
        code=b"\xf0",
        parts=(
            two_byte_address(),
            device(
                "registers",
                ToAddress(0x8F),
                about="from 0088h: pins, latches, activity, mask, polarity, control, FFh FFh",
            ),
            crc16(CODE, ADDRESS, "registers"),
        ),
        source=_29,
    ),
    Command(
        name="sample ports",
        code=b"\xf5",
        parts=(
            _SAMPLED,
            crc16(CODE, "samples"),
            Again((_SAMPLED, crc16("samples"))),
        ),
        source=f"{_29}; what later CRCs cover: from memory",
    ),
    write_command(0x5A, device("pins"), _29),
    Command(
        name="reset activity latches",
        code=b"\xc3",
        parts=(device("confirmation", OPEN, values=CONFIRMATION),),
        effect=Effect.VOLATILE,
        source=_29,
    ),
    Command(
        name="write search registers",
        code=b"\xcc",
        parts=(two_byte_address(), host("registers", ToAddress(0x8D))),
        effect=Effect.VOLATILE,
        about="no CRC: read back",
        source=f"{_29} and p. 21",
    ),
    Command(
        name="leave test mode",
        code=b"\x96",
        place=Place.ROM,
        parts=(host("rom", 8), host("end", values=frozenset({0x3C}))),
        effect=Effect.VOLATILE,
        source="data sheet family 29h (part DS2408, rev 12/10) p. 38",
    ),
)
"""Family 29h."""

_ACCESS = (
    host(
        "control",
        about="b7 clear activity, b6 read, b5 alternate, b4 both together, b3:2 "
        "channels, b1:0 CRC behind none, 1, 8 or 32 bytes",
    ),
    host("reserved", values=frozenset({0xFF})),
    device(
        "information",
        about="b0 b1 latches, b2 b3 pins, b4 b5 activity, b6 two channels, b7 supply",
    ),
)


def _accessed(every: int) -> tuple[Part, ...]:
    """Pin data with a CRC behind every so many bytes, the first covering the opening."""
    return (
        device("pins", every),
        crc16(CODE, "control", "reserved", "information", "pins"),
        Again((device("pins", every), crc16("pins"))),
    )


DUAL_WITH_MEMORY = (
    Command(
        name="access channels",
        code=b"\xf5",
        parts=(
            *_ACCESS,
            Chosen(
                by="control",
                mask=0x43,
                cases={
                    0x40: (device("pins", OPEN),),
                    0x41: _accessed(1),
                    0x42: _accessed(8),
                    0x43: _accessed(32),
                },
            ),
        ),
        effect=Effect.VOLATILE,
        about="reading only; control bit 6 clear makes the host write the pins",
        source=f"{_12}; control bits and what CRCs cover: from memory",
    ),
    Command(
        name="read status",
        code=b"\xaa",
        parts=(
            two_byte_address(),
            device("status", ToAddress(0x07)),
            crc16(CODE, ADDRESS, "status"),
        ),
        source=_12,
    ),
    Command(
        name="write status",
        code=b"\x55",
        parts=(
            two_byte_address(),
            host("data"),
            crc16(CODE, ADDRESS, "data"),
            host("go", values=frozenset({0xFF})),
            device("stored"),
        ),
        effect=Effect.VOLATILE,
        about="address 7; the others are programmed by a 12 V pulse in place of FFh, for "
        "ever",
        source=_12,
    ),
    *redirected_memory(
        0x7F,
        source=f"{_12}; its CRC: from memory",
        source_of_crc="data sheet family 12h (part DS2406) p. 8",
    ),
)
"""Family 12h."""

TOGGLING = (
    Command(
        name="sense",
        code=b"",
        parts=(
            device("level", OPEN, about="FFh while the pin is high, 00h while low"),
        ),
        effect=Effect.VOLATILE,
        about="no code: each match toggles the output, a search that ends on the device "
        "does not; slots behind either give the pin",
        source="data sheet family 05h (part DS2405, 050304) p. 1-2; the slots: from memory",
    ),
)
"""Family 05h."""
