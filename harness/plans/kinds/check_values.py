"""Check values of an answer, by the words of a plan or a description."""

from __future__ import annotations

from collections.abc import Iterable

from harness.errors import CheckValueWrong, DeviceAbsent
from harness.families.common.answers import shown
from harness.plans.schema.transact import CheckValue
from harness.wire.crc import crc8, crc16


def require_check_values(
    values: Iterable[CheckValue], written: bytes, answer: bytes
) -> None:
    """Insist on every check value of an answer.

    Args:
        values: where they stand and what they cover.
        written: bytes of the host ahead of the answer.
        answer: bytes of the device.

    Raises:
        DeviceAbsent: a check value is wrong and all is ones, which no device drives.
        CheckValueWrong: a check value is wrong.
    """
    for crc in values:
        at = crc.stands_at(len(answer))
        held = answer[at : at + crc.length]
        computed = check_bytes(crc, written, answer[crc.from_byte : at])
        if held == computed:
            continue
        if set(answer) == {0xFF}:
            raise DeviceAbsent(
                f"no device drives the line: the answer is {len(answer)} bytes of FFh"
            )
        raise CheckValueWrong(
            f"answer {shown(answer)}: {crc.kind} at byte {at} is {shown(held)}, "
            f"computed {shown(computed)}"
        )


def check_bytes(crc: CheckValue, written: bytes, answered: bytes) -> bytes:
    """The bytes of a check value as they must be on the wire, low byte first.

    Args:
        crc: what it covers and how it is sent.
        written: bytes of the host.
        answered: bytes of the device that stand before it.
    """
    covered = {
        "answer": answered,
        "write": written,
        "write-and-answer": written + answered,
    }[crc.over]
    if crc.kind == "crc-8":
        register, full = crc8(covered, crc.start & 0xFF), 0xFF
    else:
        register, full = crc16(covered, crc.start), 0xFFFF
    return (register ^ full if crc.is_inverted else register).to_bytes(
        crc.length, "little"
    )
