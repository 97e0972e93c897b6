"""Commands of a description as the rows that recordings are cut by."""

from __future__ import annotations

from harness.families.command import (
    OPEN,
    Again,
    Command,
    Counted,
    Crc,
    CrcKind,
    Effect,
    Length,
    Part,
    Rest,
    Sender,
    Span,
    Status,
    ToAddress,
    ToPageEnd,
)
from harness.plans.schema.kind.wire import WireCommand, WirePart
from harness.plans.schema.transact import bytes_of

_EFFECTS = {
    "nothing": Effect.NOTHING,
    "volatile": Effect.VOLATILE,
    "stored": Effect.STORED,
    "for-ever": Effect.FOR_EVER,
}


def command_of(row: WireCommand) -> Command:
    """One command."""
    return Command(
        name=row.name,
        code=bytes_of(row.code),
        parts=tuple(map(_part, row.parts)),
        effect=_EFFECTS[row.effect],
        goes_on=row.goes_on,
        about=row.about,
        source=row.source,
    )


def _part(part: WirePart) -> Part:
    if part.crc is not None:
        kind = CrcKind.CRC8 if part.crc == "crc-8" else CrcKind.CRC16_INVERTED
        return Crc(kind=kind, covers=part.covers)
    if part.status is not None:
        return Status(name=part.status, ready=part.ready, longest_ms=part.longest_ms)
    if part.rest_ms is not None:
        return Rest(longest_ms=part.rest_ms, strong=part.strong_pull_up)
    if part.again:
        return Again(tuple(map(_part, part.again)))
    return Span(
        name=part.host or part.device or "",
        sender=Sender.HOST if part.host else Sender.DEVICE,
        length=_length(part),
        moves=part.moves,
        values=frozenset(part.values),
        about=part.about,
    )


def _length(part: WirePart) -> Length:
    if part.to_page_end is not None:
        return ToPageEnd(part.to_page_end)
    if part.to_address is not None:
        return ToAddress(part.to_address)
    if part.counted_by is not None:
        return Counted(part.counted_by)
    return OPEN if part.bytes == "open" else part.bytes
