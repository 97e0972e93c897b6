"""Rows of commands and of restarts in words, as `slotproof families CODE` prints them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from harness.families.command import (
    Again,
    Chosen,
    Command,
    Counted,
    Crc,
    CrcStart,
    Effect,
    Length,
    Part,
    Place,
    Programming,
    Rest,
    Span,
    Status,
    ToAddress,
    ToPageEnd,
    UntilReset,
)
from harness.families.restart import RestartSign


def command_lines(command: Command) -> Iterator[str]:
    """A command: code and name, then what goes over the wire, then what it leaves."""
    code = " ".join(f"{byte:02X}h" for byte in command.code) or "no code"
    where = "" if command.place is Place.FUNCTION else f", {command.place}"
    yield f"{code} {command.name}{where}"
    if command.parts:
        yield f"    {parts_in_words(command.parts)}"
    leaves = [] if command.effect is Effect.NOTHING else [str(command.effect)]
    if command.goes_on:
        leaves.append("takes another command without a reset")
    if leaves or command.about:
        yield f"    {'; '.join([*leaves, *filter(None, [command.about])])}"


def parts_in_words(parts: Sequence[Part]) -> str:
    """Parts in the order of the wire."""
    return ", ".join(map(_part, parts))


def _part(part: Part) -> str:
    match part:
        case Span():
            words = _span(part)
        case Crc():
            words = _crc(part)
        case Status():
            words = _status(part)
        case Rest():
            words = f"{part.longest_ms:g} ms high{', strong pull-up' * part.strong}"
        case Programming():
            words = f"programming pulse {part.low_us:g} to {part.high_us:g} us"
        case Again(parts):
            words = f"again and again ({parts_in_words(parts)})"
        case _:
            words = _chosen(part)
    return words


def _chosen(part: Chosen) -> str:
    cases = "; ".join(
        f"{value:02X}h: {parts_in_words(parts) or 'nothing'}"
        for value, parts in part.cases.items()
    )
    return f"by {part.by} AND {part.mask:02X}h ({cases})"


def _span(part: Span) -> str:
    values = " or ".join(f"{byte:02X}h" for byte in sorted(part.values))
    words = "; ".join(filter(None, [values, part.about]))
    return f"{part.sender}: {part.name} {_length(part.length)}" + (
        f" ({words})" if words else ""
    )


def _length(length: Length) -> str:
    match length:
        case ToPageEnd(size):
            return f"to the end of the {size}-byte page"
        case ToAddress(last):
            return f"to {last:04X}h"
        case Counted(by):
            return f"as many bytes as {by} says"
        case UntilReset():
            return "until the reset"
        case 1:
            return "1 byte"
        case _:
            return f"{length} bytes"


def _crc(part: Crc) -> str:
    begins = "" if part.start is CrcStart.ZERO else f", beginning with {part.start}"
    return f"{part.sender}: {part.kind} of {' + '.join(part.covers)}{begins}"


def _status(part: Status) -> str:
    if part.counted:
        return f"device: {part.counted} slot{'s' * (part.counted > 1)} ({part.name})"
    longest = f", at most {part.longest_ms:g} ms" if part.longest_ms else ""
    return f"device: slots of {1 - part.ready} until {part.name} is done{longest}"


def restart_line(sign: RestartSign) -> str:
    """A restart sign: what shows it, what it reads, what it governs."""
    governs = ", ".join(sorted(sign.governs - {sign.shown_by}))
    parts = [
        f"{sign.shown_by} ({sign.trace}): {sign.after_in_words}",
        sign.about,
        f"if {sign.when}" if sign.when else "",
        f"concerns {governs}" if governs else "",
    ]
    return "; ".join(filter(None, parts))
