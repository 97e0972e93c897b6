"""Commands that read write-once memory with a CRC-16 and redirection bytes, as rows.

A page of write-once memory that was replaced has the inverse of the new page's number in
a redirection byte of its own; the read with CRC shows it before the data.
"""

from __future__ import annotations

from harness.families.command import (
    ADDRESS,
    CODE,
    Again,
    Command,
    ToAddress,
    ToPageEnd,
    crc16,
    device,
    two_byte_address,
)


def redirected_memory(
    last: int, *, source: str, source_of_crc: str
) -> tuple[Command, Command]:
    """Read memory, and read memory with CRC.

    Args:
        last: last address of the data memory.
        source: of the plain read.
        source_of_crc: of the read with CRC.
    """
    return (
        Command(
            name="read memory",
            code=b"\xf0",
            parts=(
                two_byte_address(),
                device("data", ToAddress(last)),
                crc16(CODE, ADDRESS, "data"),
            ),
            source=source,
        ),
        Command(
            name="read memory with CRC",
            code=b"\xa5",
            parts=(
                two_byte_address(),
                device("redirection", about="FFh, or the inverse of the other page"),
                crc16(CODE, ADDRESS, "redirection"),
                device("data", ToPageEnd(32)),
                crc16("data"),
                Again(
                    (
                        device("redirection"),
                        crc16("redirection"),
                        device("data", 32),
                        crc16("data"),
                    )
                ),
            ),
            source=source_of_crc,
        ),
    )
