"""What an answer in plain bytes says: its check values, its wanted bytes, its values."""

from __future__ import annotations

from collections.abc import Iterator

from harness.errors import CheckValueWrong, DeviceAbsent
from harness.families.common.answers import shown
from harness.families.common.register_map import Field
from harness.plans.schema.transact import BitField, CheckValue, Transact, bytes_of
from harness.records import Measurement
from harness.wire.crc import crc8, crc16


def require_check_values(body: Transact, answer: bytes) -> None:
    """Insist on every check value of the step.

    Raises:
        DeviceAbsent: a check value is wrong and all is ones, which nobody drives.
        CheckValueWrong: a check value is wrong.
    """
    for crc in body.crc:
        at = crc.stands_at(body.read)
        held = answer[at : at + crc.length]
        computed = check_bytes(crc, bytes_of(body.write), answer[crc.from_byte : at])
        if held == computed:
            continue
        if set(answer) == {0xFF}:
            raise DeviceAbsent(
                f"nobody drives the line: the answer is {len(answer)} bytes of FFh"
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


def measured(body: Transact, answer: bytes) -> Iterator[Measurement]:
    """The wanted bytes and the values of an answer, beside their limits."""
    if body.expect:
        wanted = bytes_of(body.expect)
        mask = bytes_of(body.mask) or b"\xff" * len(wanted)
        criterion = "CRC right" if body.crc else ""
        if body.mask:
            criterion = ", ".join(filter(None, [criterion, f"mask {shown(mask)}"]))
        yield Measurement(
            name="answer",
            value=shown(_under(answer, mask)),
            wanted=shown(_under(wanted, mask)),
            criterion=criterion,
        )
    for value in body.values:
        yield Measurement(
            name=value.name,
            value=row_of(value).decode(answer),
            unit=value.unit,
            low=value.low,
            high=value.high,
            wanted=value.wanted,
        )


def row_of(value: BitField) -> Field:
    """The row of a register map that decodes a value."""
    return Field(
        name=value.name,
        offset=value.at,
        count=value.bytes,
        shift=value.shift,
        bits=value.bits or 0,
        scale=value.scale,
        bias=value.offset,
        unit=value.unit,
        signed=value.signed,
        order=value.order,
    )


def _under(data: bytes, mask: bytes) -> bytes:
    return bytes(byte & bits for byte, bits in zip(data, mask, strict=True))
