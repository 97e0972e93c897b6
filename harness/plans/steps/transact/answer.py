"""What an answer in plain bytes says: its wanted bytes and its values."""

from __future__ import annotations

from collections.abc import Iterator

from harness.families.common.answers import shown
from harness.families.common.register_map import Field
from harness.plans.schema.transact import BitField, Transact, bytes_of
from harness.records import Measurement


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
