"""Rows of the commands and restart signs that every part with a scratchpad has.

See ``scratchpad`` for what they do together; the sources stand there and with the parts.
"""

from __future__ import annotations

from collections.abc import Iterable

from harness.families.command import (
    ADDRESS,
    CODE,
    OPEN,
    Again,
    Command,
    Effect,
    Part,
    Rest,
    Sender,
    ToPageEnd,
    crc16,
    device,
    host,
    two_byte_address,
)
from harness.families.common.scratchpad import ALTERNATING
from harness.families.restart import RestartSign, Trace
from harness.families.session import Session

_STATUS = "ending offset, bit 5 partial or supply dip, bit 7 copied"


def pad_commands(
    pad_bytes: int,
    source: str,
    *,
    write_crc: bool = True,
    read_crc: bool = True,
) -> tuple[Command, Command]:
    """Write scratchpad 0Fh and read scratchpad AAh.

    Args:
        pad_bytes: length of the scratchpad.
        source: data sheet and pages.
        write_crc: True if a write that fills it is answered by a CRC-16.
        read_crc: True if reading it to its end is followed by a CRC-16.
    """
    check = (crc16(CODE, ADDRESS, "data"),) if write_crc else ()
    check_read = (crc16(CODE, ADDRESS, "status", "data"),) if read_crc else ()
    return (
        Command(
            name="write scratchpad",
            code=b"\x0f",
            parts=(two_byte_address(), host("data", ToPageEnd(pad_bytes)), *check),
            effect=Effect.VOLATILE,
            source=source,
        ),
        Command(
            name="read scratchpad",
            code=b"\xaa",
            parts=(
                two_byte_address(Sender.DEVICE),
                device("status", about=_STATUS),
                device("data", ToPageEnd(pad_bytes)),
                *check_read,
            ),
            source=source,
        ),
    )


def _alternatives(values: frozenset[int]) -> str:
    return " or ".join(f"{value:02X}h" for value in sorted(values, reverse=True))


def copy_command(
    longest_ms: float,
    source: str,
    *,
    code: int = 0x55,
    password: int = 0,
    done: frozenset[int] = ALTERNATING,
) -> Command:
    """Copy scratchpad with its authorisation.

    Args:
        longest_ms: longest time of a copy.
        source: data sheet and pages.
        code: 55h for most parts.
        password: bytes of it behind the authorisation.
        done: bytes that say done.
    """
    secret: Iterable[Part] = (host("password", password, confidential=True),)
    return Command(
        name="copy scratchpad",
        code=bytes([code]),
        parts=(
            two_byte_address(),
            host("status", about="as read from the scratchpad"),
            *(secret if password else ()),
            Rest(longest_ms=longest_ms),
            device(
                "end",
                OPEN,
                confirms=done,
                about=f"{_alternatives(done)}: done, FFh: refused",
            ),
        ),
        effect=Effect.STORED,
        source=source,
    )


def plain_read(source: str) -> Command:
    """Read memory F0h, without a CRC."""
    return Command(
        name="read memory",
        code=b"\xf0",
        parts=(two_byte_address(), device("data", OPEN)),
        about="no CRC; ones behind the last address",
        source=source,
    )


def paged_read(
    page: int, source: str, *, password: int = 0, code: int = 0xA5
) -> Command:
    """Read memory with a CRC-16 at the end of each page; the first covers the opening."""
    secret: Iterable[Part] = (host("password", password, confidential=True),)
    return Command(
        name="read memory with CRC",
        code=bytes([code]),
        parts=(
            two_byte_address(),
            *(secret if password else ()),
            device("data", ToPageEnd(page)),
            crc16(CODE, ADDRESS, "data"),
            Again((device("data", page), crc16("data"))),
        ),
        source=source,
    )


def staged_target(session: Session) -> str:
    """Address and status that the scratchpad shows, in hex."""
    return session.transact(b"\xaa", 3).hex(" ").upper()


PAD_SIGN = RestartSign(
    shown_by="scratchpad target",
    trace=Trace.SCRATCHPAD,
    after="00 00 00",
    read=staged_target,
    about="address and status of the scratchpad; what was staged is gone and must not be "
    "copied. Bit 5 of the status shows that the supply failed during a copy",
    source="from memory; bit 5: data sheet family 2Dh (part DS2431) p. 8",
)


def answers_resume(session: Session) -> bool:
    """True if the device takes the resume command, which it must have been matched for."""
    return session.resume(b"\xaa", 3) != b"\xff\xff\xff"


RESUME_SIGN = RestartSign(
    shown_by="resume",
    trace=Trace.SELECTION,
    after=False,
    read=answers_resume,
    about="the resume command is answered only by the device that was matched last and "
    "has not restarted since",
    source="data sheet family 43h (part DS28EC20) p. 16, resume command; that a restart "
    "clears it: from memory",
)
